"""What stands in a vessel by its level or its load cells, with the doubt of level and bulk density.

A level is a height or a volume and no mass: what it weighs depends on how densely it lies, which moves with fines and
moisture. Both doubts are limits, taken as rectangular, and both are shared by whatever rests on the same reading or
the same density.

Source : 3 to 5 % of capacity for levels, 0.5 to 1 % for load cells, densities of flake and pellets: common practice,
no source. Rectangular limits: JCGM 100:2008, 4.3.7 (clause from memory).
"""

from collections.abc import Mapping
from dataclasses import dataclass

from service.core.measured import Cause, CauseKind, Measured, dry, rectangular
from service.core.quantities import PPM, divide_half_up

__all__ = ["BadDensity", "DensityRange", "content_by_level", "content_by_load_cells", "content_by_volume"]

LITRES_PER_M3 = 1_000


class BadDensity(ValueError):
    """A bulk density that is no range of positive figures."""


@dataclass(frozen=True, slots=True)
class DensityRange:
    """How densely a material lies, kg per cubic metre, from the loosest to the most settled.

    Examples
    --------
    >>> DensityRange.parse("250-400").mean_kg_m3
    325
    """

    low_kg_m3: int
    high_kg_m3: int

    @staticmethod
    def parse(text: str) -> "DensityRange":
        """Read 'LOW-HIGH' in whole kg/m3.

        Raises
        ------
        BadDensity : no such range.
        """
        low, _, high = text.partition("-")
        if not (low.isdecimal() and high.isdecimal() and 0 < int(low) <= int(high) < 100_000):
            raise BadDensity(f"expected a bulk density in kg/m3 as lowest-highest, such as 250-400, got {text!r}")
        return DensityRange(int(low), int(high))

    @property
    def text(self) -> str:
        return f"{self.low_kg_m3}-{self.high_kg_m3}"

    @property
    def mean_kg_m3(self) -> int:
        return (self.low_kg_m3 + self.high_kg_m3) // 2

    @property
    def half_width(self) -> float:
        """Half of the range as fraction of its mean."""
        return (self.high_kg_m3 - self.low_kg_m3) / (self.high_kg_m3 + self.low_kg_m3)


def content_by_level(
    name: str,
    capacity_g: int,
    level_ppm: int,
    half_width: float,
    density: DensityRange,
    moisture_ppm: int,
    moisture: Mapping[Cause, float],
) -> Measured:
    """Dry content of a vessel filled to a fraction of what it is made for.

    Parameters
    ----------
    name : of the reading; the density's cause is named by its range, so that readings of one material share it.
    half_width : of the level, as fraction of the capacity.

    Examples
    --------
    Half of a silo of 60 t, 5 % of capacity, flake: the density doubts it more than the level does.

    >>> half = content_by_level("r1", 60_000_000, 500_000, 0.05, DensityRange(250, 400), 0, {})
    >>> [(part.kind.value, round(part.u_ug / 1e12, 2)) for part in half.contributions()]
    [('density', 4.0), ('level', 1.73)]
    """
    mass_g = divide_half_up(capacity_g * level_ppm, PPM)
    return _content(name, mass_g, capacity_g * half_width, density, moisture_ppm, moisture)


def content_by_volume(
    name: str,
    volume_l: int,
    capacity_g: int,
    half_width: float,
    density: DensityRange,
    moisture_ppm: int,
    moisture: Mapping[Cause, float],
) -> Measured:
    """Dry content of a vessel of which the filled volume was read, in litres; the level is doubtful as before."""
    mass_g = volume_l * density.mean_kg_m3 * 1_000 // LITRES_PER_M3
    return _content(name, mass_g, capacity_g * half_width, density, moisture_ppm, moisture)


def content_by_load_cells(
    name: str, mass_g: int, capacity_g: int, half_width: float, moisture_ppm: int, moisture: Mapping[Cause, float]
) -> Measured:
    """Dry content of a vessel that is weighed where it stands: no density, and a doubt in parts of its capacity."""
    return _content(name, mass_g, capacity_g * half_width, None, moisture_ppm, moisture)


def _content(
    name: str,
    mass_g: int,
    level_half_width_g: float,
    density: DensityRange | None,
    moisture_ppm: int,
    moisture: Mapping[Cause, float],
) -> Measured:
    parts = {Cause(CauseKind.LEVEL, name): rectangular(level_half_width_g)}
    if density is not None:
        shared = Cause(CauseKind.DENSITY, f"{density.low_kg_m3}-{density.high_kg_m3}")
        parts[shared] = mass_g * rectangular(density.half_width)
    return dry(mass_g, parts, moisture_ppm, moisture)
