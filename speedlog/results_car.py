"""What a pass cost the car and what was left in it: the one truth for JSON, report, compare and forecast.

Frozen values only, SI units (temperature in °C, charge in Ah, as everywhere here), the unit in the field's name.
Every quantity is a `Quantity95`, or None with a plain sentence under its name in `why_not`; where nothing of a
part can be told, the sentence stands under "". `as_json` gives the form of the JSON.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Literal

from speedlog.results_quantity import Quantity95, as_json

CurrentOf = Literal["pack", "motor"]
Limit = Literal["traction", "current limit", "ramp", "voltage", "throttle", "unknown"]
WhyNot = Mapping[str, str]


def _nothing() -> WhyNot:
    return MappingProxyType({})


@dataclass(frozen=True)
class Ramp:
    """What the ramp of the current (or throttle) saved in heat, and cost in speed, against none at all.

    Attributes:
        ramp_s: how long the pull took from nothing to full; `by_motion`, else as the user wrote it.
        distance_m: driven meanwhile.
        heat_saved: share of the pass's heat in the motor that full pull at once would have cost more (below 0: less,
            as a quicker car is sooner there). Heat goes with the square of motor current, and that with pull.
        speed_cost_mps: at the trap (without a trap at the fastest moment), for the same run-up.
    """

    by_motion: bool = False
    ramp_s: Quantity95 | None = None
    distance_m: Quantity95 | None = None
    heat_saved: Quantity95 | None = None
    speed_cost_mps: Quantity95 | None = None
    why_not: WhyNot = field(default_factory=_nothing)


@dataclass(frozen=True)
class Heat:
    """Current and temperatures of the pass, from one controller's log.

    Attributes:
        file: the log.
        current_of: whose current the log holds; None where nothing tells.
        current_of_stated: the user said so (else the log itself or nothing did).
        charge_ratio: charge put back over charge logged; None without a charge by hand.
        current_scale: true current over logged, from that and from how true such loggers are; it is in all
            that follows.
        charge_ah: drawn in the pass. squared_a2s: ∫I² dt of the current; heat in a resistance goes with it
            (`squared_logged_a2s`: without the scale, to compare passes of one logger).
        rms_current_a: from the launch to the lift, `powered_s` long. peak_logged_a: the highest reading as logged.
        over_*_s: time over the user's own limits.
        against_previous, against_same_setup: ∫I² dt over that of the pass before, and over the mean of the
            earlier passes with the same set-up.
    """

    file: str | None = None
    current_of: CurrentOf | None = None
    current_of_stated: bool = False
    charge_ratio: Quantity95 | None = None
    current_scale: Quantity95 | None = None
    peak_logged_a: float | None = None
    charge_ah: Quantity95 | None = None
    squared_a2s: Quantity95 | None = None
    squared_logged_a2s: Quantity95 | None = None
    powered_s: Quantity95 | None = None
    rms_current_a: Quantity95 | None = None
    peak_current_a: Quantity95 | None = None
    over_current_limit_s: Quantity95 | None = None
    over_motor_limit_s: Quantity95 | None = None
    over_controller_limit_s: Quantity95 | None = None
    motor_temp_start_c: Quantity95 | None = None
    motor_temp_highest_c: Quantity95 | None = None
    controller_temp_start_c: Quantity95 | None = None
    controller_temp_highest_c: Quantity95 | None = None
    against_previous: Quantity95 | None = None
    against_same_setup: Quantity95 | None = None
    same_setup_passes: int = 0
    ramp: Ramp = field(default_factory=Ramp)
    why_not: WhyNot = field(default_factory=_nothing)


@dataclass(frozen=True)
class Thermal:
    """A first-order model of the motor's temperature, fitted to the log.

    dT/dt = b x² - (T - T_air) / tau; what the sensor shows follows T with the lag `sensor_lag_s`. x is the motor's
    current, or what goes with it (`heats_with`).

    Attributes:
        heats_with: "motor current" as logged or from the pack's by Kv; "torque": pack power over turns, which goes
            with the motor's current; "pull": from the motion; "pack current" where nothing better is known.
        heating_k_per_a2s: b, where x is the motor's current in A.
        cooling_s: tau. sensor_lag_s: from it comes heat soak after the stop.
        rise_k: from the first temperature to the highest, heat soak included.
        peak_c, peak_after_stop_s: the highest temperature, heat soak included, and when after the stop (below 0:
            before it). by_hand: the highest is the one measured by hand.
        heat_rise_k, fade: the next pass's peak, begun at T: T_air + fade (T - T_air) + heat_rise_k times its ∫x² dt
            over this one's.
        repeat_peak_c: the same pass once more, begun at `repeat_from_c`, the log's last temperature.
        residual_k: standard deviation of the log about the model.
    """

    heats_with: Literal["motor current", "torque", "pull", "pack current"] | None = None
    heating_k_per_a2s: Quantity95 | None = None
    cooling_s: Quantity95 | None = None
    sensor_lag_s: Quantity95 | None = None
    air_c: float | None = None
    air_assumed: bool = False
    rise_k: Quantity95 | None = None
    peak_c: Quantity95 | None = None
    peak_after_stop_s: Quantity95 | None = None
    by_hand: bool = False
    heat_rise_k: Quantity95 | None = None
    fade: Quantity95 | None = None
    repeat_from_c: float | None = None
    repeat_peak_c: Quantity95 | None = None
    residual_k: float | None = None
    why_not: WhyNot = field(default_factory=_nothing)


@dataclass(frozen=True)
class PackUse:
    """The pack: V = E0 - fall q - R I, fitted robustly to the log's own voltage and current.

    Attributes:
        resistance_ohm: at the controller's leads, so wiring and plugs are in it.
        open_v: E0, without load, at the pass's start. fall_v_per_ah: of the open voltage with charge.
        sag_v: R I at the highest current.
        lowest_v, lowest_cell_v: as logged; a cell's by even share.
        energy_wh: ∫V I dt. c_rate: highest current over the pack's capacity, per hour.
        rest_cell_v: at rest after the pass, by hand. hand_less_logged_v: that pack voltage less the fit's own there;
            clearly off 0, the controller's voltage is.
        scale_from_charge: the current was scaled by the charge put back before anything else.
    """

    cells: int | None = None
    resistance_ohm: Quantity95 | None = None
    resistance_per_cell_ohm: Quantity95 | None = None
    open_v: Quantity95 | None = None
    fall_v_per_ah: Quantity95 | None = None
    sag_v: Quantity95 | None = None
    lowest_v: Quantity95 | None = None
    lowest_cell_v: Quantity95 | None = None
    peak_power_w: Quantity95 | None = None
    energy_wh: Quantity95 | None = None
    charge_ah: Quantity95 | None = None
    rest_cell_v: Quantity95 | None = None
    hand_less_logged_v: Quantity95 | None = None
    c_rate: Quantity95 | None = None
    scale_from_charge: bool = False
    residual_v: float | None = None
    why_not: WhyNot = field(default_factory=_nothing)


@dataclass(frozen=True)
class TyreUse:
    """Driven wheel and tyre.

    Attributes:
        told_apart: the log drives and coasts at like speeds, so growth and slip are told apart.
        growth: share by which the diameter is larger at `at_rpm` (wheel turns) than standing; standing is what the
            user wrote, else what the slow part of the log shows.
        growth_per_rpm2: the same per wheel turn a minute squared.
        slip: slip ratio (W - W0) / W0 of SAE J670 under power at `at_rpm`.
        growth_less_slip: where they can't be told apart, their sum as it shows in the effective diameter:
            (1 + growth) / (1 + slip) - 1 at `at_rpm`.
        rolling_diameter_m: at a crawl, from the log.
        worn_m: by the user's own measuring before and after.
        tread_accel_g: v²/r of the tread in g at its highest; over_limit_s: time over the user's limit.
    """

    told_apart: bool = False
    at_rpm: float | None = None
    growth: Quantity95 | None = None
    growth_per_rpm2: Quantity95 | None = None
    slip: Quantity95 | None = None
    growth_less_slip: Quantity95 | None = None
    rolling_diameter_m: Quantity95 | None = None
    worn_m: Quantity95 | None = None
    peak_wheel_rpm: Quantity95 | None = None
    tread_accel_g: Quantity95 | None = None
    over_limit_s: Quantity95 | None = None
    why_not: WhyNot = field(default_factory=_nothing)


@dataclass(frozen=True)
class RoadLoad:
    """What held the car back (names after SAE J1263 and ISO 10521-1).

    Attributes:
        source: "coast" (throttle neutral, current about zero), "braked coast" (drag incl. motor braking) or "run-up".
        drag_area_m2: effective CdA, downforce's share included; rolling: F0 over weight.
        correlation: of the two, from the fit.
        directions: 2 where passes both ways were solved together.
    """

    source: Literal["coast", "braked coast", "run-up"] | None = None
    drag_area_m2: Quantity95 | None = None
    rolling: Quantity95 | None = None
    correlation: float | None = None
    head_wind_mps: Quantity95 | None = None
    air_density_kgm3: Quantity95 | None = None
    directions: int = 1
    why_not: WhyNot = field(default_factory=_nothing)


@dataclass(frozen=True)
class Stretch:
    """A stretch of the run-up and what limited the car there; metres along the line, in the order of time."""

    start_along_m: float
    end_along_m: float
    start_s: float
    end_s: float
    limit: Limit


@dataclass(frozen=True)
class Left:
    """What was left in the pass."""

    trap_exit_accel_mps2: Quantity95 | None = None
    with_more_run_up_mps: Mapping[float, Quantity95] = field(default_factory=dict)  # metres more -> speed
    terminal_mps: Quantity95 | None = None
    stretches: tuple[Stretch, ...] = ()
    why_not: WhyNot = field(default_factory=_nothing)


@dataclass(frozen=True)
class Stopping:
    """How far the car needs from the trap exit to a stand, by its own logged braking, against the runway's end."""

    distance_m: Quantity95 | None = None
    deceleration_mps2: Quantity95 | None = None
    room_m: float | None = None
    fits: bool | None = None  # None: the runway's end was not given
    why_not: WhyNot = field(default_factory=_nothing)


@dataclass(frozen=True)
class StillAir:
    """The pass as it would have been in still air of the standard day, and what wind and air gave.

    Attributes:
        of: which speed: the timekeeper's figure, or the estimate through the trap, or the fastest moment.
        speed_mps: that speed. equivalent_mps: in still air of `standard_density_kgm3`.
        wind_gave_mps, air_gave_mps: parts of the difference, as they add to speed (a head wind gives less than 0).
        head_wind_mps: at the car's height.
    """

    of: Literal["official", "estimate", "peak"] | None = None
    speed_mps: Quantity95 | None = None
    equivalent_mps: Quantity95 | None = None
    wind_gave_mps: Quantity95 | None = None
    air_gave_mps: Quantity95 | None = None
    head_wind_mps: Quantity95 | None = None
    air_density_kgm3: Quantity95 | None = None
    standard_density_kgm3: float | None = None
    assumed: tuple[str, ...] = ()
    why_not: WhyNot = field(default_factory=_nothing)


@dataclass(frozen=True)
class FixSignal:
    """How one signal of reception moves with motor current, over every logger that wrote it.

    Attributes:
        per_100_a: change of the signal for 100 A more, speed held; its sign as measured.
        p_value: one-sided: the share of permutations (the signal shifted against the current) at least as bad.
        least_p: the smallest p that so few blocks could reach. passes: a pass of each logger counts.
    """

    signal: Literal["cn0_dbhz", "satellites", "hdop"]
    per_100_a: Quantity95
    p_value: float
    least_p: float
    passes: int
    blocks: int


@dataclass(frozen=True)
class FixLoss:
    """Whether reception got worse with motor current, in this and earlier passes."""

    signals: tuple[FixSignal, ...] = ()
    evidence: Literal["strong", "some", "none"] | None = None
    text: str = ""
    try_next: tuple[str, ...] = ()
    why_not: WhyNot = field(default_factory=_nothing)


@dataclass(frozen=True)
class Effect:
    """What a change of the set-up did to one figure: after minus before, each pass corrected first.

    Attributes:
        figure: "speed", "heat", "sag", …; `unit` of it.
        difference: Welch's interval, each pass's own uncertainty and what the passes share carried; None with
            one pass on a side, where scatter can't be told.
        p_value: Welch's, two-sided. permutation_p: exact. least_permutation_p: the smallest it could be.
        own_u: what the passes' own uncertainties alone make of the difference (standard).
    """

    figure: str
    unit: str
    key: str
    before: str
    after: str
    passes_before: int
    passes_after: int
    mean_before: float
    mean_after: float
    difference: Quantity95 | None
    t: float | None
    freedom: float | None
    p_value: float | None
    permutation_p: float | None
    least_permutation_p: float | None
    own_u: float
    text: str
    why_not: WhyNot = field(default_factory=_nothing)


@dataclass(frozen=True)
class Caution:
    """A limit of the user's or of common practice that the pass went over, in one plain sentence."""

    code: str
    text: str
    stated: bool  # the limit is the user's own, from the maker; else common practice


@dataclass(frozen=True)
class CarPass:
    """All that the logs tell of the car in one pass.

    `not_checked`: makers' limits that were not entered, so were not checked.
    """

    number: int
    heat: Heat = field(default_factory=Heat)
    thermal: Thermal = field(default_factory=Thermal)
    pack: PackUse = field(default_factory=PackUse)
    tyre: TyreUse = field(default_factory=TyreUse)
    still_air: StillAir = field(default_factory=StillAir)
    fix_loss: FixLoss = field(default_factory=FixLoss)
    cautions: tuple[Caution, ...] = ()
    not_checked: tuple[str, ...] = ()
    road_load: RoadLoad | None = None
    left: Left | None = None
    stopping: Stopping | None = None

    def as_json(self) -> dict[str, Any]:
        found = as_json(self)
        assert isinstance(found, dict)
        return found
