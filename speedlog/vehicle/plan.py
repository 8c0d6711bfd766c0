"""What a forecast starts from and what it brings: the plan, the makers' limits, what is known, the result."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from speedlog.results_car import Stopping
from speedlog.results_quantity import Quantity95
from speedlog.vehicle.car import Array, Car
from speedlog.vehicle.fit import Fitted
from speedlog.vehicle.stopping import Braking


@dataclass(frozen=True)
class Makers:
    """Limits that the user wrote, from the makers; None: not entered, so not checked."""

    motor_c: float | None = None
    controller_c: float | None = None
    lowest_cell_v: float | None = None
    pack_c_rate: float | None = None
    tyre_g: float | None = None
    tyre_rpm: float | None = None


@dataclass(frozen=True)
class Plan:
    """A pass to come.

    Attributes:
        set: numbers of `Car` that are changed, by name; `cells` changes the pack as a whole.
        run_up_m: from the launch to the first beam. trap_m: between the beams.
        room_m: from the trap's exit to the runway's end, along this pass; None if not given.
        motor_start_c, controller_start_c: of motor and controller at the launch.
    """

    run_up_m: float
    trap_m: float
    head_mps: float = 0.0
    head_u_mps: float = 0.4
    density_kgm3: float = 1.2
    density_share_u: float = 0.002
    room_m: float | None = None
    slope: float = 0.0
    motor_start_c: float | None = None
    controller_start_c: float | None = None
    set: Mapping[str, float] = field(default_factory=dict)
    cells: int | None = None


@dataclass(frozen=True)
class Known:
    """What a forecast starts from: the fitted car, or a car file alone, and what passes showed besides.

    Attributes:
        heating_k_per_a2s: rise of the motor's temperature over ∫(motor current)² dt, with its spread;
            `controller_k_per_a2s` the same of the controller's.
        nearest: trap speeds of the fitted passes, to tell how far a forecast goes beyond them.
        assumed: what nobody said and was taken, by the keys of `forecast_words.ASSUMED`.
    """

    car: Car
    fitted: Fitted | None = None
    cells: int | None = None
    capacity_ah: float | None = None
    makers: Makers = field(default_factory=Makers)
    braking: tuple[Braking, ...] = ()
    heating_k_per_a2s: Quantity95 | None = None
    controller_k_per_a2s: Quantity95 | None = None
    nearest_mps: tuple[float, ...] = ()
    assumed: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Curve:
    """The run-up as forecast. Arrays (N,) over driven distance."""

    travel_m: Array
    speed_mps: Array
    low_mps: Array
    high_mps: Array
    limit: tuple[str, ...]


@dataclass(frozen=True)
class Forecast:
    """What a plan should bring; None with its reason in `why_not` where nothing tells.

    Attributes:
        traction_share: of the run-up's time in which traction holds the car back.
        voltage_share: of the draws in which the voltage (gearing) holds it back at the trap's exit.
    """

    plan: Plan
    trap_mps: Quantity95 | None
    exit_mps: Quantity95 | None = None
    exit_accel_mps2: Quantity95 | None = None
    terminal_mps: Quantity95 | None = None
    run_s: Quantity95 | None = None
    motor_peak_c: Quantity95 | None = None
    controller_peak_c: Quantity95 | None = None
    lowest_cell_v: Quantity95 | None = None
    peak_current_a: Quantity95 | None = None
    c_rate: Quantity95 | None = None
    wheel_rpm: Quantity95 | None = None
    tread_g: Quantity95 | None = None
    charge_ah: Quantity95 | None = None
    traction_share: float = 0.0
    voltage_share: float = 0.0
    stopping: Stopping = field(default_factory=Stopping)
    why_not: Mapping[str, str] = field(default_factory=dict)
    curve: Curve | None = field(default=None, compare=False, repr=False)
