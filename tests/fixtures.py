"""Real sounds for tests, put into .fixtures by .ci/fetch_fixtures."""

import os
from pathlib import Path

import pytest

HOME = Path(__file__).resolve().parents[1] / ".fixtures"


def real_sounds(kind: str) -> Path:
    """The folder of "guitar", "xylophone", "rooms", "percussion" or "strums"; absent: skip the test, in CI fail it."""
    folder = HOME / kind
    if not (folder / ".complete").exists():
        message = f"no real sounds in {folder.name}: run .ci/fetch_fixtures"
        if os.environ.get("CI"):
            pytest.fail(message)
        pytest.skip(message)
    return folder
