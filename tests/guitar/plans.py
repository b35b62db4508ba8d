"""A small invented design and woods for the tests of planning."""

from functools import lru_cache

from luthkit.guitar.design import Design, PlateDesign
from luthkit.guitar.wood_set import WoodSet
from luthkit.simulate import stock

SPRUCE, ROSEWOOD = stock.TOP_WOOD, stock.BACK_WOOD


@lru_cache
def design() -> Design:
    """The invented design as a maker writes it down; put together once for all tests."""
    names = PlateDesign.__dataclass_fields__
    plates = [PlateDesign(**{name: getattr(plate, name) for name in names}) for plate in stock.design()]
    return Design(*plates, stock.VOLUME_M3, stock.HOLE_RADIUS_M, name="test")


def sets(rng, usual, n, name):
    """Boards as they are, with their usual uncertainties."""
    return [WoodSet(f"{name} {k}", stock.board(rng, usual), stock.MEASURED_U) for k in range(n)]
