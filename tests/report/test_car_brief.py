"""The car in five lines: each number from a quantity made up here, in the units that a driver thinks in."""

from __future__ import annotations

from dataclasses import replace

import pytest

from speedlog.report.car_brief import car_brief, stopping_words
from speedlog.report.car_words import calm, car_blocks, cautions
from speedlog.report.numbers import as_text, speed_unit
from speedlog.results_car import CarPass, FixLoss, Heat, Left, PackUse, StillAir, Stopping, Thermal, TyreUse
from speedlog.results_quantity import Quantity95

MPH = speed_unit("mph")


def q(value: float, half: float = 0.0) -> Quantity95:
    return Quantity95(value, value - half, value + half)


CAR = CarPass(
    number=1,
    heat=Heat(file="c.csv", current_of="pack", peak_current_a=q(217, 11), motor_temp_start_c=q(26, 0.5),
              motor_temp_highest_c=q(54, 1), controller_temp_highest_c=q(37, 0.5), against_previous=q(1.332, 0.004),
              why_not={"over_motor_limit_s": "No limit of it was entered."}),
    thermal=Thermal(peak_c=q(55, 1), repeat_from_c=51.0, repeat_peak_c=q(76, 3)),
    pack=PackUse(cells=12, sag_v=q(1.2, 0.1), lowest_cell_v=q(4.033, 0.005), energy_wh=q(18.9, 1.0), c_rate=q(43, 2)),
    tyre=TyreUse(told_apart=True, at_rpm=18_944.0, growth=q(0.033, 0.009), slip=q(0.027, 0.003),
                 tread_accel_g=q(18_930, 260)),
    left=Left(with_more_run_up_mps={50.0: q(44.704, 0.44704), 100.0: q(49.1744, 0.44704)}, terminal_mps=q(53.6448)),
    stopping=Stopping(distance_m=q(446.2, 168.6), room_m=900.0, fits=True),
    still_air=StillAir(equivalent_mps=q(40.2336, 0.44704), wind_gave_mps=q(-0.44704, 0.44704),
                       air_gave_mps=q(0.44704, 0.44704)),
    not_checked=("motor temperature",),
)  # fmt: skip


def lines(car: CarPass) -> dict[str, str]:
    return {subject: as_text(said, MPH).replace("\u00a0", " ") for subject, said in car_brief(car)}


def test_five_lines() -> None:
    """44.704 m/s are 100 mph, 0.44704 m/s are 1 mph (exact)."""
    assert lines(CAR) == {
        "Heat": "Motor from 26 to 55 ± 1 °C, controller 37 °C. The same pass again, begun at 51 °C, would take the "
        "motor to 76 ± 3 °C. Heat (∫I² dt) 1.33 times the last pass with a current log.",
        "Pack": "Current at most 217 ± 11 A (43 C), sag 1.2 V (0.10 V a cell), lowest 4.03 V a cell, "
        "18.9 ± 1.0 Wh used.",
        "Tyres": "Grew 3.3 ± 0.9 % and slipped 2.7 ± 0.3 % at 18900 rpm, tread at most 18900 g.",
        "Left in it": "100.0 ± 1.0 mph with 50 m more run-up, 110.0 ± 1.0 mph with 100 m, 120.0 ± 0.0 mph on a runway "
        "without end. To stop: 450 ± 170 m from the trap, the runway ends after 900 m.",
        "Wind and air": "In still air of the standard day 90.0 ± 1.0 mph, the wind gave −1.0 mph (± 1.0 mph), thin air "
        "+1.0 mph (± 1.0 mph).",
    }  # fmt: skip


def test_what_is_not_known_has_no_words() -> None:
    assert car_brief(CarPass(1)) == ()
    by_hand = CarPass(1, thermal=Thermal(peak_c=q(38, 4), by_hand=True))
    assert lines(by_hand) == {"Heat": "Motor at most 38 ± 4 °C (by hand)."}
    # worn, but no more than the gauge could be wrong by: not told
    assert lines(CarPass(1, tyre=TyreUse(worn_m=q(0.0002, 0.0006)))) == {}
    assert lines(CarPass(1, tyre=TyreUse(worn_m=q(0.0006, 0.0002)))) == {
        "Tyres": "0.60 ± 0.20 mm worn off the diameter."
    }
    together = TyreUse(at_rpm=15_000.0, growth_less_slip=q(0.01, 0.005))
    assert lines(CarPass(1, tyre=together)) == {"Tyres": "Growth less slip 1.0 ± 0.5 % at 15000 rpm."}


def test_a_motor_current_says_so() -> None:
    motor = replace(CAR, heat=replace(CAR.heat, current_of="motor"))
    assert lines(motor)["Pack"].startswith("Current at most 217 ± 11 A in the motor")


def test_a_fit_that_is_off_its_logs_says_so_beside_what_was_left() -> None:
    assert CAR.left is not None
    off = replace(CAR, left=replace(CAR.left, why_not={"fit": "The fitted car is off its logs."}))
    assert "a runway without end. The fitted car is off its logs. To stop:" in lines(off)["Left in it"]


@pytest.mark.parametrize(
    ("room", "fits", "words"),
    [
        (None, None, "450 ± 170 m from the trap, runway end not given"),
        (560.0, False, "450 ± 170 m from the trap, the runway ends after 560 m: 610 m doesn't fit"),
        (300.0, False, "450 ± 170 m from the trap, the runway ends after 300 m: it doesn't fit"),
    ],
)
def test_stopping_against_the_runways_end(room: float | None, fits: bool | None, words: str) -> None:
    found = stopping_words(Stopping(distance_m=q(446.2, 168.6), room_m=room, fits=fits))
    assert found.replace("\u00a0", " ") == words


def test_what_was_looked_for_and_not_found_is_no_caution() -> None:
    none = replace(CAR, fix_loss=FixLoss(evidence="none", text="Reception does not go with current."))
    some = replace(
        CAR, fix_loss=FixLoss(evidence="some", text="Reception may have got worse.", try_next=("Move it.",))
    )
    assert calm(none) == ("Reception does not go with current.",) and calm(some) == ()
    assert cautions(none) == ("Not checked, as no limit was entered: motor temperature.",)
    assert cautions(some)[:2] == ("Reception may have got worse.", "Move it.")


def test_limits_that_nobody_entered_are_told_once() -> None:
    heat = next(item for item in car_blocks(CAR) if item.key == "heat")
    assert heat.notes == ()
