"""How a piece comes into the stock: a text file, and a copy of its taps beside it."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from pathlib import Path

from ..errors import LuthkitError
from ..signal.recording import find_recordings
from ..wood.piece import Piece
from ..wood.stock import as_piece, read_stock
from .safe import folder_aside, free_name, safe_name, same_name, settle, told, write_whole


def add_piece(stock, said: Mapping, *, sounds=None) -> Piece:
    """Write down a piece that was measured once, as a text file in the folder `stock`, and give it back as read there.

    said: the words of such a file (see `wood.stock`), with one measurement under "measured". sounds: a folder with its
    taps, copied into the stock beside the file. Nothing that stands there is changed.

    Raises LuthkitError for a piece without a name, one that is there already, words that cannot be (see `read_stock`),
    a folder without sound, and a stock that cannot be written to.
    """
    import tomli_w

    stock, name = Path(stock), str(said.get("name", "")).strip()
    if not name:
        raise LuthkitError("the piece has no name; give it one, such as the words you wrote on it")
    file = stock / free_name(f"{safe_name(name).replace('..', '_')}.toml", ["session.toml"])
    known = [piece.name for piece in read_stock(stock)] if any(stock.glob("*.toml")) else []
    if file.exists() or same_name(name) in map(same_name, known):
        raise LuthkitError(
            f"{name} is written down in {stock} already, and stays as it is; give the new piece another name, or add "
            "the new day to that file by hand, under a second line [[measured]]"
        )
    with told(f"the piece {name}"):
        stock.mkdir(parents=True, exist_ok=True)
        if sounds:
            measured = {**said["measured"][0], "taps": file.stem}
            said = {**said, "measured": [measured]}
        as_piece(said, file)
        if sounds:
            taken: list[str] = []
            with folder_aside(stock) as aside:
                for path in find_recordings([sounds]):
                    taken.append(free_name(path.name, taken))
                    shutil.copyfile(path, aside / taken[-1])
                if not settle(aside, stock / file.stem):
                    raise LuthkitError(f"{stock / file.stem} is there already; give the piece another name")
        write_whole(file, tomli_w.dumps(said))
    return read_stock(file)[0]
