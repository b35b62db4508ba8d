"""Simulated shops that build guitars: the truth a planner is held against, with effects it knows nothing of.

Several modes of top and back, not one of each, are coupled to the air in the hole. The rims hold more or less
stiffly than written down, braces are carved and glued a little differently, plates are arched (a shell: stiffness
E h / R^2 for each area), finish weighs on them, air swings along, the box is a little larger or smaller. What is
so for all guitars of a shop is drawn once; what differs from guitar to guitar is drawn for each.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from scipy.linalg import eigh

from .._threads import one_thread
from ..wood.braced_plate import Beam, BracedPlate, PlateWood, assemble, plate_factors
from ..wood.outline import Outline
from .body import AIR_DENSITY_KG_M3, SPEED_OF_SOUND_M_S

N_TOP, N_BACK = 5, 4  # modes of each plate that take part


@dataclass(frozen=True, eq=False)
class PlateRecipe:
    """Dimensions of a top or a back."""

    outline: Outline
    wood: PlateWood
    thickness_m: float
    tap_m: tuple[float, float]
    braces: tuple[Beam, ...] = ()
    bridge: Beam | None = None
    soundhole_m: tuple[float, float] | None = None
    edge_stiffness_n: float = 800.0
    least_thickness_m: float = 0.002

    @cached_property
    def on_rims(self) -> BracedPlate:
        """Matrices with the edge on the rims."""
        return self._reduced("held", self.edge_stiffness_n, self.bridge)

    @cached_property
    def free(self) -> BracedPlate:
        """Matrices of the plate freely held, no bridge."""
        return self._reduced("free", 0.0, None)

    def _reduced(self, edge, stiffness, bridge):
        plate = assemble(
            self.outline,
            edge=edge,
            edge_stiffness_n=stiffness,
            braces=self.braces,
            bridge=bridge,
            soundhole_m=self.soundhole_m,
            points_m=[self.tap_m],
            wood=self.wood,
            thickness_m=self.thickness_m,
            degree=14,
        )
        return plate.reduced(*plate_factors(self.wood, self.thickness_m, bridge=float(bridge is not None)), 36)


@dataclass(frozen=True)
class Hand:
    """How one plate came out, as factors on what was planned, and what the plan does not hold."""

    thickness: float = 1.0
    braces: float = 1.0
    bridge: float = 1.0  # its mass and stiffness
    edge: float = 1.0
    arching: float = 0.0  # 1 / R^2 in 1/m^2
    finish_kg_m2: float = 0.0
    air_kg_m2: float = 0.0


@dataclass(frozen=True, eq=False)
class SimulatedShop:
    """One shop: its habits, which every guitar shares, and how much its guitars scatter about them."""

    top: PlateRecipe
    back: PlateRecipe
    volume_m3: float
    hole_radius_m: float
    habits: Mapping[str, Hand] = field(default_factory=lambda: {"top": Hand(), "back": Hand()})
    volume: float = 1.0
    hole_length: float = 1.0
    scatter: float = 1.0

    @classmethod
    def random(cls, rng: np.random.Generator, top: PlateRecipe, back: PlateRecipe, volume_m3, hole_radius_m):
        """A shop with habits drawn at random; its scatter is 0.6 to 1.5 times the usual."""
        habits = {
            side: Hand(
                thickness=np.exp(0.02 * rng.standard_normal()),
                braces=np.exp(0.12 * rng.standard_normal()),
                bridge=np.exp(0.08 * rng.standard_normal()),
                edge=np.exp(0.5 * rng.standard_normal()),
                arching=rng.uniform(0.05, 0.15) ** 2,
                finish_kg_m2=rng.uniform(0.03, 0.12),
                air_kg_m2=rng.uniform(0.04, 0.10),
            )
            for side in ("top", "back")
        }
        return cls(
            top,
            back,
            volume_m3,
            hole_radius_m,
            habits,
            volume=np.exp(0.02 * rng.standard_normal()),
            hole_length=np.exp(0.05 * rng.standard_normal()),
            scatter=rng.uniform(0.6, 1.5),
        )

    def hand(self, rng: np.random.Generator, side: str) -> Hand:
        """How one guitar's plate comes out."""
        usual, s = self.habits[side], self.scatter
        around = np.exp(s * rng.standard_normal(6) * [0.012, 0.07, 0.15, 0.3, 0.2, 0.07])
        return Hand(
            thickness=usual.thickness * around[0],
            braces=usual.braces * around[1],
            bridge=usual.bridge * around[5],
            edge=usual.edge * around[2],
            arching=usual.arching * around[3],
            finish_kg_m2=usual.finish_kg_m2 * around[4],
            air_kg_m2=usual.air_kg_m2,
        )

    @one_thread
    def plate(self, side: str, wood: PlateWood, hand: Hand | None = None, *, in_the_white: bool = False):
        """Modes of a plate on the rims: omega^2, volume and shape at the tap place, each (n_modes,)."""
        recipe = self.top if side == "top" else self.back
        hand = hand or self.habits[side]
        plate, n = recipe.on_rims, N_TOP if side == "top" else N_BACK
        bridge = hand.bridge * (recipe.bridge is not None and not in_the_white)
        h = recipe.thickness_m * hand.thickness
        stiffness, mass = plate_factors(wood, h, braces=hand.braces, bridge=bridge, edge=hand.edge)
        modulus = np.sqrt(wood.stiffness.along_pa * wood.stiffness.across_pa)
        mass[0] += hand.air_kg_m2 + hand.finish_kg_m2 * (not in_the_white)
        total = np.tensordot(stiffness, plate.stiffness, 1) + modulus * h * hand.arching * plate.mass[0]
        value, vector = eigh(total, np.tensordot(mass, plate.mass, 1), subset_by_index=[0, n - 1])
        return value, plate.volume @ vector, plate.points[0] @ vector

    @one_thread
    def guitars(self, tops, backs) -> np.ndarray:
        """Air, main top and main back (Hz) and mobility (s/kg) of every top with every back, (n_tops, n_backs, 4).

        Plates as `plate` gives them. The air is the lowest mode; main top and main back are where the lowest mode of
        each plate moves most.
        """
        top, back = ([np.array(part) for part in zip(*plates, strict=True)] for plates in (tops, backs))
        i, j = (each.ravel() for each in np.indices((len(tops), len(backs))))
        n, none = top[0].shape[1], np.zeros((len(i), 1))
        hole = np.pi * self.hole_radius_m**2
        length = self.hole_length * (self.top.thickness_m + 1.6 * self.hole_radius_m)
        air = none + hole / np.sqrt(AIR_DENSITY_KG_M3 * hole * length)
        value = np.hstack([top[0][i], none, back[0][j]])
        areas = np.hstack([top[1][i], air, back[1][j]])
        spring = AIR_DENSITY_KG_M3 * SPEED_OF_SOUND_M_S**2 / (self.volume_m3 * self.volume)
        stiffness = spring * areas[:, :, None] * areas[:, None, :] + value[:, :, None] * np.eye(value.shape[1])
        square, vector = np.linalg.eigh(stiffness)
        rows, omega = np.arange(len(i)), np.sqrt(square)
        main_top = 1 + np.argmax(np.abs(vector[:, 0, 1:]), axis=1)
        of_back = np.abs(vector[:, n + 1])
        of_back[:, 0] = of_back[rows, main_top] = 0
        main_back = np.argmax(of_back, axis=1)
        bridge = np.einsum("np,npm->nm", top[2][i], vector[:, :n])[rows, main_top] ** 2
        found = [omega[rows, mode] / (2 * np.pi) for mode in (0, main_top, main_back)]
        return np.stack([*found, bridge / omega[rows, main_top]], axis=1).reshape(len(tops), len(backs), 4)

    def guitar(self, top, back) -> dict[str, float]:
        """One guitar of two plates as `plate` gives them."""
        names = ("air", "main top", "main back", "mobility")
        return dict(zip(names, self.guitars([top], [back])[0, 0].tolist(), strict=True))

    def build(self, rng: np.random.Generator, top: PlateWood, back: PlateWood) -> dict[str, float]:
        """One guitar, hands and all: finished, closed box in the white, braced plates, by the planner's names."""
        hands = {side: self.hand(rng, side) for side in ("top", "back")}
        woods = {"top": top, "back": back}
        out = self.guitar(*(self.plate(side, woods[side], hands[side]) for side in woods))
        white = self.guitar(*(self.plate(side, woods[side], hands[side], in_the_white=True) for side in woods))
        second, third = sorted((white["main top"], white["main back"]))
        out |= {"box air": white["air"], "box second": second, "box third": third}
        for side, hand in hands.items():
            out |= self._freely_held(side, woods[side], hand)
        return out

    @one_thread
    def _freely_held(self, side, wood, hand) -> dict[str, float]:
        recipe = self.top if side == "top" else self.back
        factors = plate_factors(wood, recipe.thickness_m * hand.thickness, braces=hand.braces, bridge=0.0)
        factors[1][0] += hand.air_kg_m2
        modes = recipe.free.modes(*factors, n_modes=2, rigid=3)
        return {f"braced {side} {k + 1}": float(f) for k, f in enumerate(modes.frequency_hz)}
