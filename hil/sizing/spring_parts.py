"""Springs to choose from, as one of two opposed sets: compression and torsion springs.

Whatever the springs, a set is computed by :class:`~hil.sizing.spring.OpposedSets` in N and m of the
output, for torsion springs along the arc of the joint.
"""

from __future__ import annotations

import math
from abc import abstractmethod
from collections.abc import Iterator
from typing import Annotated, ClassVar

from pydantic import Field

from drivers.motion import ARC_RADIUS_M
from drivers.quantities import Angle, Length, Stress
from hil.profile import Part
from hil.sizing.spring import (
    ELASTIC_MODULUS_PA,
    SHEAR_MODULUS_PA,
    SOLID_STRESS_SHARE,
    Coil,
    OpposedSets,
    correction,
    wahl,
)
from hil.sizing.torsion_spring import (
    STATIC_STRESS_SHARE,
    TorsionCoil,
    bending_correction,
    curved_beam,
)
from hil.sizing.transmission_parts import Name

LEAST_INDEX, MOST_INDEX = 3.0, 25.0  # cold coiled springs have 4 to 20, EN 13906-1


class SetPart(Part):
    """One of the opposed sets: ``count`` equal springs side by side, preloaded together."""

    STANDARD: ClassVar[str]
    PROPERTIES: ClassVar[tuple[str, ...]]

    name: Name
    wire_diameter: Annotated[Length, Field(gt=0)]
    coil_diameter: Annotated[Length, Field(gt=0)]  # mean
    active_coils: Annotated[float, Field(ge=1, le=100)]
    tensile_strength: Annotated[Stress, Field(gt=0)]
    stress_range: Annotated[Stress, Field(gt=0)]  # corrected, permitted for the required life
    count: Annotated[int, Field(ge=1, le=50)] = 1

    @property
    @abstractmethod
    def sets(self) -> OpposedSets:
        """Both sets at work against each other."""

    @property
    @abstractmethod
    def corrections(self) -> tuple[str, float]:
        """Correction of stress in words, and what a handbook's is over it."""

    @property
    @abstractmethod
    def static_Pa(self) -> tuple[float, str]:
        """Permitted uncorrected stress at the end of the springs' travel, and its reason."""

    @abstractmethod
    def unfit(self) -> Iterator[tuple[str, str, str]]:
        """Yield (key, what, fix) of values that contradict each other."""

    def _bad_index(self) -> Iterator[tuple[str, str, str]]:
        index = self.coil_diameter / self.wire_diameter
        if not LEAST_INDEX <= index <= MOST_INDEX:
            yield (
                "coil_diameter",
                f"{index:.3g} times the wire: cannot be coiled",
                "write 4 to 20 times the wire's diameter; is the unit right?",
            )


class SpringPart(SetPart):
    """Compression springs."""

    STANDARD: ClassVar[str] = "EN 13906-1"
    PROPERTIES: ClassVar[tuple[str, ...]] = (
        "wire_diameter",
        "coil_diameter",
        "active_coils",
        "free_length",
        "preload",
    )

    free_length: Annotated[Length, Field(gt=0)]
    ground: bool = True
    shear_modulus: Annotated[Stress, Field(gt=0)] = SHEAR_MODULUS_PA
    preload: Annotated[Length, Field(ge=0)]

    @property
    def coil(self) -> Coil:
        return Coil(
            self.wire_diameter,
            self.coil_diameter,
            self.active_coils,
            self.free_length,
            self.ground,
            self.shear_modulus,
        )

    @property
    def sets(self) -> OpposedSets:
        return OpposedSets(self.coil, self.count, self.preload)

    @property
    def corrections(self) -> tuple[str, float]:
        index = self.coil.index
        return "k = (w + 0.5)/(w − 0.75); by Wahl", wahl(index) / correction(index)

    @property
    def static_Pa(self) -> tuple[float, str]:
        permitted = SOLID_STRESS_SHARE * self.tensile_strength
        return permitted, f"EN 13906-1, {SOLID_STRESS_SHARE:g} of the tensile strength"

    def unfit(self) -> Iterator[tuple[str, str, str]]:
        bad = list(self._bad_index())
        yield from bad
        if not bad and self.coil.most_travel_m <= self.preload:
            yield (
                "preload",
                f"{1e3 * self.preload:.4g} mm leaves nothing of the "
                f"{1e3 * self.coil.most_travel_m:.4g} mm that the spring may be compressed",
                "preload it less, or write a longer spring",
            )


class TorsionSpringPart(SetPart):
    """Torsion springs on a mandrel, each wound up by the set's torque."""

    STANDARD: ClassVar[str] = "EN 13906-3"
    PROPERTIES: ClassVar[tuple[str, ...]] = (
        "wire_diameter",
        "coil_diameter",
        "active_coils",
        "mandrel",
        "preload",
    )

    mandrel: Annotated[Length, Field(gt=0)]  # diameter
    elastic_modulus: Annotated[Stress, Field(gt=0)] = ELASTIC_MODULUS_PA
    preload: Annotated[Angle, Field(ge=0)]

    @property
    def coil(self) -> TorsionCoil:
        return TorsionCoil(
            self.wire_diameter,
            self.coil_diameter,
            self.active_coils,
            self.mandrel,
            self.tensile_strength,
            self.elastic_modulus,
        )

    @property
    def sets(self) -> OpposedSets:
        return OpposedSets(self.coil, self.count, self.preload * ARC_RADIUS_M)

    @property
    def corrections(self) -> tuple[str, float]:
        index = self.coil.index
        ratio = curved_beam(index) / bending_correction(index)
        return "q = (w + 0.07)/(w − 0.75); as a curved beam", ratio

    @property
    def static_Pa(self) -> tuple[float, str]:
        permitted = STATIC_STRESS_SHARE * self.tensile_strength
        return permitted, f"EN 13906-3, {STATIC_STRESS_SHARE:g} of the tensile strength"

    def unfit(self) -> Iterator[tuple[str, str, str]]:
        bad = list(self._bad_index())
        yield from bad
        inner = self.coil_diameter - self.wire_diameter
        if not bad and self.mandrel >= inner:
            yield (
                "mandrel",
                f"does not fit into the spring's inner diameter of {1e3 * inner:.4g} mm",
                "write a thinner one; is the unit right?",
            )
        elif not bad and self.coil.most_travel_m <= self.preload * ARC_RADIUS_M:
            most = math.degrees(max(0.0, self.coil.most_travel_m) / ARC_RADIUS_M)
            yield (
                "preload",
                f"{math.degrees(self.preload):.4g}° leaves nothing of the {most:.4g}° that the "
                "spring may be wound up",
                "preload it less, write more coils or a thinner mandrel",
            )
