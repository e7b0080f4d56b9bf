"""What to mind with the ice that is ordered: storing, handling, driving, with the amounts at hand."""

from __future__ import annotations

from dataclasses import dataclass

from models.air.gas import OUTDOOR_PPM, PPM, gas_ft3_per_lb
from pipeline.answers.amounts import flow_needed, weight
from pipeline.answers.cautions import cautions_for
from shared.units import FT3_M3, MIN_PER_DAY

#: OSHA's limit over a shift as a share of the air: 5,000 ppm, 29 CFR 1910.1000 Table Z-1.
_SHIFT_LIMIT = 0.005
#: What the driver carried whose case CDC MMWR 53(50), 2004, tells.
_HARMED_LB = 100.0


@dataclass(frozen=True)
class _Written:
    """Amounts in the shop's units."""

    metric: bool

    @property
    def units(self) -> str:
        return "metric" if self.metric else "us"

    def weight(self, lb: float) -> str:
        return weight(lb, self.units)

    def gas(self, ft3: float) -> str:
        value, unit = (ft3 * FT3_M3, "m3") if self.metric else (ft3, "ft3")
        return f"{value:,.{0 if value >= 10 else 1}f} {unit}"

    def air(self, cfm: float) -> str:
        return flow_needed(cfm, self.units)


def order_cautions(
    largest_lb: float, most_lb: float, loss_lb_day: float, *, altitude_ft: float = 0.0, metric: bool = False
) -> list[str]:
    """Return the cautions of an order: those of the command, with amounts put before the last one.

    Parameters
    ----------
    largest_lb : float
        Largest delivery.
    most_lb : float
        Most that may lie in store (95th percentile of the fullest day).
    loss_lb_day : float
        Most that the store may give off (95th percentile).
    altitude_ft : float
        Of the store: a pound of ice becomes more gas where the air is thin.
    metric : bool
        Write kilograms and cubic metres.
    """
    written = _Written(metric)
    said = cautions_for("order")
    own = []
    if loss_lb_day > 0 and most_lb > 0:
        gas_ft3_lb = gas_ft3_per_lb(altitude_ft=altitude_ft)
        # In a well-mixed room gas G needs air G / (C - C_outdoor) to stay below C: fresh air brings CO2 of its own.
        cfm = loss_lb_day * gas_ft3_lb / MIN_PER_DAY / (_SHIFT_LIMIT - OUTDOOR_PPM / PPM)
        own.append(
            f"Store: up to {written.weight(most_lb)} would become {written.gas(most_lb * gas_ft3_lb)} of CO2. Even "
            f"closed, the containers may give off {written.gas(loss_lb_day * gas_ft3_lb / 24)} an hour: at least "
            f"{written.air(cfm)} of fresh air, well mixed, keeps that under 5,000 ppm (29 CFR 1910.1000 Table Z-1). "
            "Never keep them in a closed room, a cellar, a pit or a cold store, and mark the place."
        )
    if largest_lb > 0:
        own.append(
            f"Handling {written.weight(largest_lb)}: scoop it with insulated gloves and covered arms, lean away from "
            "the cloud when a lid is opened, put no part of a body into a container, and let two people move it."
        )
        own.append(
            f"Driving with {written.weight(largest_lb)}: windows open, load apart from the driver, nobody rests in the "
            f"vehicle. A driver with about {written.weight(_HARMED_LB)} in a pickup's cab and closed windows lost "
            "consciousness (CDC MMWR 53(50), 2004). Packages must let gas out: 49 CFR 173.217 by air and water; ADR "
            "5.5.3 on Europe's roads asks for a ventilated vehicle or a warning mark."
        )
    return [*said[:-1], *own, *said[-1:]]
