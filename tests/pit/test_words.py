"""Sentences of the page: best and how far off, heat and sag, faults; each by hand."""

from __future__ import annotations

from speedlog.logbook.history import history
from speedlog.pit import words
from speedlog.pit.car_words import CarCost, car_cost
from speedlog.pit.forms import figure_unit_of
from speedlog.report.numbers import as_text, speed_unit
from speedlog.settings import ReportSettings
from tests.logbook.kept import kept

MPS = speed_unit("m/s")


def said(text: str | None) -> str | None:
    return None if text is None else as_text(text, MPS).replace("\u00a0", " ")


def test_the_best_and_how_far_off() -> None:
    rows = [
        kept(1, trap=80.0, trap_text="80.0 m/s", at="2026-07-12T10:00:00Z"),
        kept(2, trap=82.0, trap_text="82.0 m/s", at="2026-07-12T10:10:00Z"),
        kept(3, trap=81.5, trap_text="81.5 m/s", at="2026-07-12T10:20:00Z"),
        kept(4, trap=82.1, trap_text="82.1 m/s", at="2026-07-12T10:30:00Z"),
        kept(5, trap=90.0, trap_text="90.0 m/s", at="2026-07-12T10:40:00Z", verdict="trap_figure_doubtful"),
    ]
    found = history(rows)
    # √(0.2² + 0.2²) = 0.28 m/s is the noise of two figures: 0.1 m/s is within it, 2 m/s is not
    assert [said(words.best(found, row)) for row in rows] == [
        "It was the first Trap PB.",
        "It was the Trap PB then, 2.00 m/s above the one before.",
        "0.60 m/s below the Trap PB: 82.10 m/s, pass 4.",
        "Trap PB, 0.10 m/s (within the noise) above the one before.",
        "No Trap PB: the figure is in doubt.",
    ]


def test_without_a_figure_the_fastest_moment_counts() -> None:
    rows = [kept(1, peak=80.0), kept(2, peak=79.0, session=2), kept(3)]
    found = history(rows)
    assert said(words.best(found, rows[0])) == "The first GNSS PB."
    assert said(words.best(found, rows[1])) == "1.00 m/s below the GNSS PB: 80.00 m/s, pass 1 of 2026-07-12."
    assert words.best(found, rows[2]) is None


def test_still_pulling_on_both_sides_of_level() -> None:
    settings = ReportSettings()
    level = settings.level_mps2
    assert words.pulling(None, settings) is None
    assert "levelled off" in str(words.pulling(level - 0.01, settings))
    assert "levelled off" in str(words.pulling(0.01 - level, settings))
    assert "Still pulling" in str(words.pulling(level + 0.01, settings))
    assert "Already slowing" in str(words.pulling(-level - 0.01, settings))


def _car(squared: float, motor: float, sag: float) -> dict[str, object]:
    def of(value: float, half: float) -> dict[str, object]:
        return {"value": value, "interval95": [value - half, value + half]}

    return {
        "heat": {
            "squared_logged_a2s": of(squared, 1e3),
            "motor_temp_highest_c": of(motor, 0.6),
            "controller_temp_highest_c": None,
        },
        "pack": {"sag_v": of(sag, 0.1), "lowest_cell_v": None},
        "cautions": [{"text": "Over it."}],
    }


def _told(found: CarCost) -> list[tuple[str, str, str]]:
    return [
        (item.name, item.value.replace("\u00a0", " "), item.against.replace("\u00a0", " "))
        for item in found.lines
    ]


def test_heat_and_sag_against_the_pass_before() -> None:
    found = car_cost(_car(112e3, 61.0, 5.1), _car(100e3, 57.0, 5.4), "pass 8")
    assert (found.before, found.cautions) == ("pass 8", ("Over it.",))
    assert _told(found) == [
        ("Heat by the current", "–", "12 % more"),
        ("Motor, hottest", "61 °C", "4 °C more"),
        ("Pack sag", "5.1 V", "0.3 V less"),
    ]


def test_what_is_within_the_noise_is_the_same() -> None:
    """U of a difference is √(U₁² + U₂²): 1.4 % of the heat, 0.85 K and 0.14 V here; the two sides of each."""
    inside = car_cost(_car(101.3e3, 57.8, 5.23), _car(100e3, 57.0, 5.1), "pass 8")
    assert [against for _, _, against in _told(inside)] == ["the same"] * 3
    beyond = car_cost(_car(101.6e3, 57.9, 5.26), _car(100e3, 57.0, 5.1), "pass 8")
    assert [against for _, _, against in _told(beyond)] == ["2 % more", "1 °C more", "0.2 V more"]


def test_without_a_pass_before_the_levels_stand_alone() -> None:
    alone = car_cost(_car(112e3, 61.0, 5.1), None, "")
    assert alone.before == "" and _told(alone) == [("Motor, hottest", "61 °C", ""), ("Pack sag", "5.1 V", "")]
    assert car_cost(None, _car(1, 1, 1), "pass 8") == CarCost()


def test_the_unit_of_a_figure_is_known_again() -> None:
    assert [figure_unit_of(text) for text in ("187.5 mph", "302 kmh", "0,311 s", "83.8 m/s", "900 ft/s", None)] == [
        "mph", "km/h", "s", "m/s", None, None,
    ]  # fmt: skip


def test_faults_in_a_few_words() -> None:
    near, far = {"kind": "gap", "near_trap": True}, {"kind": "outlier", "near_trap": False}
    assert words.faults([]) == "no fault"
    assert words.faults([far]) == "1 fault, none at the trap"
    assert words.faults([near, far, near]) == "no epochs at the trap"
