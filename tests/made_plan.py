"""A small plan for the tests: the sample plan with few pieces, so that it is read quickly."""

import shutil
from pathlib import Path

SAMPLE = Path(__file__).parent.parent / "sample_audio" / "plan"
KEPT = ("Spruce 01", "Spruce 02", "Spruce 12", "Spruce 13", "Spruce 21")
KEPT += ("Rosewood 01", "Rosewood 02", "Rosewood 12", "Rosewood 13", "Rosewood 19")


def small_plan(folder: Path) -> Path:
    """Write it into `folder`: two builds, two tops and two backs in stock, one guitar on the bench."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in ("design.toml", "reference.toml", "in_progress.toml"):
        shutil.copy(SAMPLE / name, folder / name)
    lines = (SAMPLE / "wood.csv").read_text(encoding="utf-8").splitlines()
    kept = [lines[0], *(line for line in lines if line.split(",")[0] in KEPT)]
    (folder / "wood.csv").write_text("\n".join(kept) + "\n", encoding="utf-8")
    parts = (SAMPLE / "builds.toml").read_text(encoding="utf-8").split("[[build]]")
    (folder / "builds.toml").write_text("[[build]]".join(parts[:3]), encoding="utf-8")
    return folder
