"""What is said of the car: blocks where there is something, sentences where there is not."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType

import pytest

from speedlog.report.car_words import car_blocks, cautions, told, told_speed
from speedlog.report.numbers import as_text, speed_unit
from speedlog.report.page import review_page
from speedlog.results_car import (
    CarPass,
    Caution,
    Heat,
    Left,
    PackUse,
    RoadLoad,
    StillAir,
    Stopping,
    Stretch,
    Thermal,
    TyreUse,
)
from speedlog.results_quantity import Quantity95

MPH = speed_unit("mph")


def q(value: float, half: float = 0.0) -> Quantity95:
    return Quantity95(value, value - half, value + half)


CAR = CarPass(
    number=1,
    heat=Heat(file="c.csv", current_of="pack", peak_current_a=q(280, 6), motor_temp_highest_c=q(84, 1),
              against_previous=q(1.12, 0.04),
              over_motor_limit_s=q(0.0)),
    thermal=Thermal(repeat_from_c=60.0, repeat_peak_c=q(118, 5)),
    pack=PackUse(sag_v=q(6.4, 0.3), resistance_ohm=q(0.0231, 0.001),
                 why_not=MappingProxyType({"c_rate": "No pack capacity was noted."})),
    tyre=TyreUse(why_not=MappingProxyType({"": "No wheel speed was logged."})),
    left=Left(with_more_run_up_mps={100.0: q(44.704, 0.44704), 50.0: q(42.0, 0.4)}, terminal_mps=None,
              stretches=(Stretch(0, 120, 0, 4, "traction"), Stretch(120, 300, 4, 7, "current limit"))),
    stopping=Stopping(distance_m=q(410, 30), room_m=850.0),
    cautions=(Caution("motor_limit", "The motor went over its limit of 80 °C.", True),),
    not_checked=("tyre limit",),
)  # fmt: skip


def block(key: str):
    return next(item for item in car_blocks(CAR) if item.key == key)


@pytest.mark.parametrize(
    ("quantity", "words"),
    [
        (Quantity95(61.0, 59.0, 63.0), "61\u00a0±\u00a02\u00a0°C"),
        (Quantity95(61.0, 60.0, 66.0), "61\u00a0°C (60 to 66)"),  # lopsided: both ends
        (Quantity95(61.0, 61.0, 61.0), "61\u00a0°C"),
        (Quantity95(61.04, 60.84, 61.24), "61.0\u00a0±\u00a00.2\u00a0°C"),  # "± 0" would say nothing
        (Quantity95(61.04, 61.03, 61.05), "61.0\u00a0°C"),
    ],
)
def test_a_quantity_in_words(quantity: Quantity95, words: str) -> None:
    assert told(quantity, 0, " °C") == words


def test_a_speed_is_a_token_that_the_switch_can_rewrite() -> None:
    assert as_text(told_speed(q(44.704, 0.44704)), MPH).replace("\u00a0", " ") == "100.0 ± 1.0 mph"


def test_rows_stand_where_something_is_known() -> None:
    heat = dict(block("heat").rows)
    assert heat["Highest current (pack)"] == "280\u00a0±\u00a06\u00a0A"
    assert heat["Heat (∫I² dt) against the pass before"] == "1.12\u00a0±\u00a00.04\u00a0times"
    assert heat["The same pass again, begun at 60\u00a0°C"] == "118\u00a0±\u00a05\u00a0°C"
    assert "Motor over its limit" not in heat  # no time over it
    assert dict(block("pack").rows)["Resistance at the controller"] == "23.1\u00a0±\u00a01.0\u00a0mΩ"


def test_what_could_not_be_told_says_why() -> None:
    assert block("pack").notes == ("No pack capacity was noted.",)
    assert block("tyre").rows == () and block("tyre").notes == ("No wheel speed was logged.",)
    assert [item.key for item in car_blocks(CAR)] == ["heat", "pack", "tyre", "left"]  # nothing of the air
    assert car_blocks(CarPass(number=1)) == ()


def test_without_a_controller_s_log_only_air_and_what_was_measured() -> None:
    air = StillAir(wind_gave_mps=q(1.0, 0.4), equivalent_mps=q(80.0, 0.6))
    few = CarPass(number=1, heat=Heat(why_not={"": "No log."}), still_air=air, not_checked=("tyre limit",))
    assert [item.key for item in car_blocks(few)] == ["air"]
    assert cautions(few) == ()


def test_road_load_says_where_it_is_from() -> None:
    load = RoadLoad(
        source="braked coast", drag_area_m2=q(0.0151, 0.0007), rolling=q(0.02, 0.01), directions=2
    )
    (found,) = [item for item in car_blocks(replace(CAR, road_load=load)) if item.key == "load"]
    assert found.rows == (
        ("Drag area CdA, from the coast, motor braking included, both directions together",
         "0.0151\u00a0±\u00a00.0007\u00a0m²"),
        ("Rolling resistance, share of weight", "2.0\u00a0±\u00a01.0\u00a0%"),
    )  # fmt: skip


def test_what_was_left_in_the_order_of_the_run_up() -> None:
    names = [name for name, _ in block("left").rows]
    assert names[:2] == ["With 50\u00a0m more run-up", "With 100\u00a0m more run-up"]
    rows = dict(block("left").rows)
    assert rows["From the trap to a stand"] == "410\u00a0±\u00a030\u00a0m"
    assert not any("limited by" in value for value in rows.values())  # that is the strip's


def test_cautions_and_limits_that_nobody_entered() -> None:
    assert cautions(CAR) == (
        "The motor went over its limit of 80 °C.",
        "Not checked, as no limit was entered: tyre limit.",
    )


def test_the_card_shows_the_car_when_the_pass_has_it(invented) -> None:
    found = invented.agreeing()
    plain = review_page(invented.review_of(found), made=invented.MADE)
    assert 'class="car"' not in plain
    object.__setattr__(found, "car", CAR)  # the field that the car stage fills
    page = review_page(invented.review_of(found), made=invented.MADE)
    assert (
        page.index("<dt>Left in it</dt>") < page.index("All figures of the car") < page.index("What was left")
    )
    assert 'class="car"' in page and "The motor went over its limit" in page and "What was left" in page
