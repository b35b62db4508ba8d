"""How a piece, or a further day of it, comes into the stock: a text file, and a copy of its taps beside it."""

from __future__ import annotations

import os
import shutil
import tomllib
from collections.abc import Mapping
from pathlib import Path

from ..errors import LuthkitError
from ..wood.piece import Piece
from ..wood.stock import as_piece, read_stock
from .safe import folder_aside, free_name, safe_name, same_name, settle, told, write_whole
from .session import read_session


def add_piece(stock, said: Mapping, measured: Mapping, *, sounds=None) -> Piece:
    """Write down a piece with its first day, as a text file in the folder `stock`, and give it back as read there.

    said: the words of such a file (see `wood.stock`); measured: those of the day. sounds: a folder with its taps,
    copied into the stock beside the file unless it lies there. Nothing that stands there is changed.

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
            f"{name} is written down in {stock} already, and stays as it is; give the new piece another name, or "
            f"choose {name} from the list to write down a further day"
        )
    return _write(file, tomli_w.dumps(said), measured, sounds, file.stem)


def add_day(piece: Piece, measured: Mapping, *, sounds=None) -> Piece:
    """Write a further day at the end of a piece's text file, all of which stays, and give the piece back as read there.

    measured, sounds: as in `add_piece`. Raises LuthkitError as that does, and for a day that is written down already.
    """
    if any(day.day == measured["date"] for day in piece.measurements):
        raise LuthkitError(
            f"{piece.name} was measured on {measured['date']} already, which stays as it is; give another day, or "
            f"correct the file {piece.path}"
        )
    with told(f"the piece {piece.name}"):
        before = piece.path.read_bytes().decode("utf-8")
    return _write(
        piece.path,
        before + "\n" * (not before.endswith("\n")),
        measured,
        sounds,
        f"{piece.path.stem} {measured['date']}",
    )


def _write(file: Path, before: str, measured: Mapping, sounds, taps: str) -> Piece:
    """The file with one more day after what it says `before`, and the sounds in a new folder called `taps`."""
    import tomli_w

    stock = file.parent
    with told(f"the piece {file.stem}"):
        stock.mkdir(parents=True, exist_ok=True)
        at_home = bool(sounds) and Path(sounds).is_dir() and Path(sounds).resolve().parent == stock.resolve()
        if sounds:
            taps = Path(sounds).resolve().name if at_home else free_name(taps, os.listdir(stock))
            measured = {**measured, "taps": taps}
        text = f"{before}\n[[measured]]\n{tomli_w.dumps(measured)}"
        try:
            said = tomllib.loads(text.removeprefix("\ufeff"))
        except tomllib.TOMLDecodeError as error:
            raise LuthkitError(
                f"{file} takes no further day ({error}); write each of its days under a line [[measured]]"
            ) from error
        as_piece(said, file)
        if sounds and not at_home:
            heard = read_session(sounds).of_kind("tap")
            if not heard:
                raise LuthkitError(f"{sounds} holds no taps; name the folder in which those of the piece lie")
            with folder_aside(stock) as aside:
                for sound in heard:
                    (aside / sound.name).parent.mkdir(exist_ok=True)
                    shutil.copyfile(sound.path, aside / sound.name)
                if not settle(aside, stock / taps):
                    raise LuthkitError(f"{stock / taps} is there already; press the button again")
        write_whole(file, text)
    return read_stock(file)[0]
