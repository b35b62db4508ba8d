"""Write the recordings of the invented workshop: `python -m luthkit.simulate [FOLDER]`."""

import argparse

from .shop import write_shop


def main(arguments: list[str] | None = None) -> None:
    """Write the whole shop into the folder named, sample_audio when none is."""
    parser = argparse.ArgumentParser(prog="python -m luthkit.simulate", description=__doc__)
    parser.add_argument("folder", nargs="?", default="sample_audio", help="default: sample_audio")
    written = write_shop(parser.parse_args(arguments).folder)
    print(f"{len(written)} files written, all of it synthetic")


if __name__ == "__main__":
    main()
