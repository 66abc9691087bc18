"""A traverse as a value: the duct, where the points stand, what was read there. SI, as measured.

``x`` runs along the width, ``y`` along the height, as fractions of the free side from one corner;
in a round duct ``x`` runs along the diameter number ``diameter``, from the wall where the probe
enters.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from math import pi

from logger.core.params import STANDARD_DENSITY_KG_M3, Burner, Plane, VelocityBasis


class DuctShape(StrEnum):
    """Cross-section of the measuring plane."""

    RECTANGULAR = "rectangular"
    ROUND = "round"


class Method(StrEnum):
    """Rule that places the points, all of equal weight."""

    LOG_TCHEBYCHEFF = "log-tchebycheff"
    LOG_LINEAR = "log-linear"
    EQUAL_AREA = "equal-area"


class MeasuredPlane(StrEnum):
    """What the points stand in."""

    DUCT = "duct"
    FILTER_FACE = "filter-face"


class TraverseQuantity(StrEnum):
    """What the traverse is for: the airflow, or the mixed temperature of the stream."""

    VELOCITY = "velocity"
    TEMPERATURE = "temperature"


class Assumed(StrEnum):
    """What of the air in the plane the writer of a traverse assumed, rather than measured."""

    TEMPERATURE = "temperature"
    HUMIDITY = "humidity"
    PRESSURE = "pressure"


class PressureFrom(StrEnum):
    """How an air pressure was had."""

    ALTITUDE = "altitude"
    TYPED = "typed"
    PROBE = "probe"


@dataclass(frozen=True, slots=True, kw_only=True)
class Duct:
    """Free cross-section, inside any liner. ``diameter_m`` for round ducts, else the two sides."""

    shape: DuctShape
    width_m: float = 0.0
    height_m: float = 0.0
    diameter_m: float = 0.0

    @property
    def area_m2(self) -> float:
        """Free area."""
        if self.shape is DuctShape.ROUND:
            return pi / 4.0 * self.diameter_m**2
        return self.width_m * self.height_m

    @property
    def hydraulic_diameter_m(self) -> float:
        """Four times the area over the perimeter."""
        if self.shape is DuctShape.ROUND:
            return self.diameter_m
        return 2.0 * self.width_m * self.height_m / (self.width_m + self.height_m)


@dataclass(frozen=True, slots=True, kw_only=True)
class TraversePoint:
    """One point. Either a velocity, in the traverse's basis, or a velocity pressure; raw stays raw.

    ``scatter``: standard deviation of the readings that were averaged, in the unit of what was
    averaged. ``t_s``: seconds from the start of the traverse. ``settled``: False where the probe's
    readings never stood still and were averaged as they were.
    """

    x: float
    y: float = 0.5
    diameter: int = 0
    velocity_m_s: float | None = None
    velocity_pressure_pa: float | None = None
    temperature_c: float | None = None
    scatter_m_s: float | None = None
    scatter_pa: float | None = None
    scatter_k: float | None = None
    t_s: float | None = None
    settled: bool = True

    @property
    def place(self) -> tuple[int, float, float]:
        """Where it stands, good enough to compare."""
        return self.diameter, round(self.x, 6), round(self.y, 6)


@dataclass(frozen=True, slots=True, kw_only=True)
class Traverse:
    """A whole traverse, or as much of it as there is. ``humidity`` and the two ``u95`` are fractions.

    ``points_across`` x ``points_down`` in a rectangle; ``points_per_diameter`` on each of
    ``diameters`` in a round duct: how many were planned. ``points`` in the order of capture.
    ``temperature_c``, ``humidity``, ``pressure_pa``: the air in the plane; ``assumed``: which of them
    nobody measured; ``pressure_from``: how the pressure was had. ``at``: in which air the plane is;
    ``burner``: whether the unit was heating; ``inlet_temperature_c``: air at the fan's inlet meanwhile.
    None: not said.
    ``upstream_diameters``: straight duct before the plane, in hydraulic diameters; None: not known.
    """

    duct: Duct
    method: Method
    points: tuple[TraversePoint, ...] = ()
    points_across: int = 0
    points_down: int = 0
    points_per_diameter: int = 0
    diameters: int = 0
    basis: VelocityBasis = VelocityBasis.STANDARD
    reference_density_kg_m3: float = STANDARD_DENSITY_KG_M3
    temperature_c: float = 20.0
    humidity: float = 0.5
    pressure_pa: float = 101_325.0
    velocity_u95: float = 0.05
    area_u95: float = 0.01
    temperature_u95_k: float = 0.5
    repeat_first: TraversePoint | None = None
    quantity: TraverseQuantity = TraverseQuantity.VELOCITY
    plane: MeasuredPlane = MeasuredPlane.DUCT
    upstream_diameters: float | None = None
    at: Plane | None = None
    burner: Burner | None = None
    inlet_temperature_c: float | None = None
    assumed: tuple[Assumed, ...] = ()
    pressure_from: PressureFrom | None = None
    complete: bool = True
    started_utc: str | None = None
    probe: str | None = None
    notes: str | None = None

    @property
    def planned(self) -> int:
        """How many points were planned."""
        if self.duct.shape is DuctShape.ROUND:
            return self.points_per_diameter * self.diameters
        return self.points_across * self.points_down

    @property
    def first(self) -> int:
        """Index of the point captured first, which a repeat at the end must stand at: by ``t_s`` where
        every point has one, else the one listed first."""
        times = [point.t_s for point in self.points if point.t_s is not None]
        if len(times) < max(len(self.points), 1):
            return 0
        return times.index(min(times))
