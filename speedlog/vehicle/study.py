"""study(): all that the logs tell of the car in one pass, in the order in which one part needs the next."""

from __future__ import annotations

from collections.abc import Sequence

from speedlog.results import Pass
from speedlog.results_car import CarPass
from speedlog.settings.vehicle import VehicleSettings
from speedlog.vehicle.cautions import cautions_of, not_checked
from speedlog.vehicle.earlier import Earlier
from speedlog.vehicle.facts import CarFacts
from speedlog.vehicle.fix_loss import fix_loss_of
from speedlog.vehicle.heat import heat_of
from speedlog.vehicle.heating import heating_of
from speedlog.vehicle.log import car_log
from speedlog.vehicle.pack import pack_of
from speedlog.vehicle.ramp import ramp_of
from speedlog.vehicle.run_up import drag_of, run_up_of
from speedlog.vehicle.still_air import still_air_of
from speedlog.vehicle.thermal import thermal_of
from speedlog.vehicle.tyre import tyre_of


def study(
    pass_: Pass, facts: CarFacts, before: Sequence[Earlier] = (), settings: VehicleSettings | None = None
) -> CarPass:
    """What a pass cost the car.

    Args:
        pass_: with its trace. facts: what the user wrote of car, weather and measuring.
        before: earlier passes of the same car, oldest first.
    """
    settings = settings or VehicleSettings()
    log = car_log(pass_, settings)
    still_air = still_air_of(pass_, log, facts, settings)
    head = 0.0 if still_air.head_wind_mps is None else still_air.head_wind_mps.value
    drag = drag_of(log, head, settings)
    ramp = ramp_of(run_up_of(pass_, settings), drag, facts.ramp_s, settings)
    heat = heat_of(log, facts, ramp, before, settings)
    thermal = thermal_of(
        log, heating_of(log, heat.current_of, heat.current_scale, facts, settings), facts, settings
    )
    pack = pack_of(log, heat, facts, settings)
    tyre = tyre_of(pass_, log, facts, settings)
    return CarPass(
        number=pass_.number, heat=heat, thermal=thermal, pack=pack, tyre=tyre, still_air=still_air,
        fix_loss=fix_loss_of([*(item.pass_ for item in before), pass_], settings),
        cautions=cautions_of(heat, thermal, pack, tyre, facts, settings), not_checked=not_checked(facts),
    )  # fmt: skip
