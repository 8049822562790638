"""What a system must not be asked to do, and what comes of it."""

from dataclasses import dataclass

from ..bounds import within
from ..units import FOOT_M, M3H_PER_CFM, SECONDS_PER_HOUR, W_PER_TON
from .blower import RATED_STATIC_PA
from .operating import OperatingPoint


@dataclass(frozen=True)
class Limits:
    """Bounds of a healthy system.

    `least_airflow_m3h_per_ton`: 350 cfm per ton, the least cooling airflow of California's Title 24, 150.0(m)13, for
    new ducts; less ices the coil. `most_external_static_pa`: the blower's rating, 0.5 in.w.c. by custom.
    `most_face_velocity_m_s`: 500 fpm through a filter's face (common practice, no source).
    """

    least_airflow_m3h_per_ton: float = 350.0 * M3H_PER_CFM
    most_external_static_pa: float = RATED_STATIC_PA
    most_face_velocity_m_s: float = 500.0 * FOOT_M / 60.0

    def __post_init__(self) -> None:
        within("least airflow per ton", self.least_airflow_m3h_per_ton, 0.0, 2000.0, "m3/h per ton")
        within("most external static", self.most_external_static_pa, 10.0, 1000.0, "Pa")
        within("most face velocity", self.most_face_velocity_m_s, 0.1, 10.0, "m/s")


@dataclass(frozen=True)
class Breach:
    """One limit overstepped: which, the figure and the bound in the same `unit`, and what it leads to."""

    limit: str
    value: float
    bound: float
    unit: str
    consequence: str


def breaches(
    point: OperatingPoint[float],
    limits: Limits,
    *,
    cooling_capacity_w: float | None = None,
    face_area_m2: float | None = None,
) -> tuple[Breach, ...]:
    """The limits an operating point oversteps; none is an empty tuple.

    Airflow per ton is judged where the cooling capacity (W, 1000 to 60,000) is known, face velocity where the filter's
    face (m2, 0.01 to 10) is; ValueError outside.
    """
    found = []
    if cooling_capacity_w is not None:
        within("cooling capacity", cooling_capacity_w, 1000.0, 60_000.0, "W")
        per_ton = point.airflow_m3h / (cooling_capacity_w / W_PER_TON)
        if per_ton < limits.least_airflow_m3h_per_ton:
            found.append(
                Breach(
                    "airflow per ton of cooling",
                    per_ton,
                    limits.least_airflow_m3h_per_ton,
                    "m3/h per ton",
                    "the cooling coil may ice over and the furnace may trip its temperature limit",
                )
            )
    if point.external_static_pa > limits.most_external_static_pa:
        found.append(
            Breach(
                "total external static pressure",
                point.external_static_pa,
                limits.most_external_static_pa,
                "Pa",
                "the blower works beyond its rating: less air, more noise, a shorter life of the motor",
            )
        )
    if face_area_m2 is not None:
        within("filter face", face_area_m2, 0.01, 10.0, "m2")
        velocity = point.airflow_m3h / SECONDS_PER_HOUR / face_area_m2
        if velocity > limits.most_face_velocity_m_s:
            found.append(
                Breach(
                    "face velocity",
                    velocity,
                    limits.most_face_velocity_m_s,
                    "m/s",
                    "the filter cleans less than rated and drops more",
                )
            )
    return tuple(found)
