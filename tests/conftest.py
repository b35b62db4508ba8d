"""BLAS on one thread for all tests: small matrices on few cores, and several tests at once."""

import numpy.linalg  # noqa: F401  (loads its BLAS before it is held)
import pytest
import scipy.linalg  # noqa: F401
from hypothesis import settings
from threadpoolctl import threadpool_limits

threadpool_limits(limits=1)
settings.register_profile("untimed", settings.default, deadline=None)  # no test looks at a clock
settings.load_profile("untimed")


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items):
    """What waits for a browser comes first, all in one process, while the others compute."""
    items.sort(key=lambda item: "browser" not in item.keywords)


@pytest.fixture
def blank_pictures(monkeypatch):
    """Pages with blank pictures, where a test looks at words and files alone: a picture takes a quarter of a second."""
    monkeypatch.setattr("luthkit.show.page.png_bytes", lambda *_, **__: b"")
