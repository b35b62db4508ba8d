"""`luthkit wood`: what the pieces of the stock are, each number with the budget of its error."""

from __future__ import annotations

from ..errors import LuthkitError
from .common import BadUse, add_output, check_paths, tell


def add(commands) -> None:
    wood = commands.add_parser("wood", help="density, stiffness and losses of pieces of wood, from taps")
    wood.add_argument(
        "paths", nargs=1, metavar="STOCK|PIECE", help="a folder of text files, one of them, or a CSV table"
    )
    wood.add_argument("--piece", metavar="NAME", help="one piece of the stock, by its name")
    wood.add_argument(
        "--climate",
        nargs=2,
        type=float,
        metavar=("CELSIUS", "PERCENT"),
        help="temperature and humidity that the numbers are brought to (default: 20 48)",
    )
    wood.set_defaults(run=run)
    add_output(wood)


def run(options) -> int:
    check_paths(options.paths, options.report)
    (path,) = options.paths
    from ..shop.plan_folder import is_plan_folder

    if is_plan_folder(path):
        raise BadUse(f"{path} is the folder of a plan; use luthkit plan {path}, or name the wood.csv in it")
    from ..shop.woodpile import read_history, read_pieces
    from ..show.wood import stock_page, stock_text, wood_data, wood_page, wood_text
    from ..wood.moisture import equilibrium_moisture_percent
    from ..wood.reading import CLIMATE
    from ..wood.stock import read_stock

    climate = tuple(options.climate or CLIMATE)
    try:
        equilibrium_moisture_percent(temperature_c=climate[0], relative_humidity_percent=climate[1])
    except LuthkitError as error:
        raise BadUse(f"--climate: {error}") from error
    pieces = read_stock(path)
    if options.piece:
        found = [piece for piece in pieces if piece.name.lower() == options.piece.lower()]
        if not found:
            names = ", ".join(piece.name for piece in pieces)
            raise BadUse(f"--piece {options.piece!r} is not in this stock; it has {names}")
        pieces = tuple(found)
    alone = len(pieces) == 1
    readings = read_history(pieces[0], climate=climate) if alone else read_pieces(pieces, climate=climate)
    if not readings:
        which = f"{pieces[0].name} was never" if alone else f"no piece in {path} was"
        raise LuthkitError(f"{which} measured; add sizes and mass under [[measured]]")
    text, page = (wood_text, wood_page) if alone else (stock_text, stock_page)
    return tell(
        options,
        data=lambda: {"pieces": [wood_data(reading) for reading in readings]},
        text=lambda: text(readings),
        page=lambda: page(readings),
    )
