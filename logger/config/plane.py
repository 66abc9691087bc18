"""In which plane a flow was measured: as it is said, else as the air's warmth tells."""

from __future__ import annotations

from logger.config.schema import AirflowTable
from logger.core.params import Plane
from logger.core.texts import temperature_text
from logger.core.traverse import Traverse

HOTTEST_RETURN_C = 35.0  # degC; no room gives back hotter air: above it the burner was on (assumed)


def plane_of(air: AirflowTable, traverse: Traverse | None = None) -> Plane:
    """Where the flow was measured: as config, else file say it; else supply air is known by its warmth."""
    said = air.at or (traverse.at if traverse else None)
    temp_c = traverse.temperature_c if traverse else air.temperature
    hot = temp_c is not None and temp_c >= HOTTEST_RETURN_C
    return said or (Plane.SUPPLY if hot else Plane.RETURN)


def plane_problem(air: AirflowTable, traverse: Traverse | None = None) -> str | None:
    """What is wrong with the plane; None where nothing is."""
    temp_c = traverse.temperature_c if traverse else air.temperature
    if traverse and None not in (air.at, traverse.at) and air.at is not traverse.at:
        return f'is "{air.at}" and the traverse file says "{traverse.at}"; correct the one that is wrong'
    if plane_of(air, traverse) is Plane.RETURN and temp_c is not None and temp_c >= HOTTEST_RETURN_C:
        return (
            f"is the return, and the flow was measured at {temperature_text(temp_c)}: no return air is so"
            ' warm; write at = "supply", or correct the temperature'
        )
    return None
