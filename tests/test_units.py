"""Units against NIST SP 811 (2008), Appendix B, and what a text must look like."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from speedlog.errors import SpeedlogError
from speedlog.units import UNITS, find_unit, parse_quantity

# NIST SP 811 appendix B.8 and the SI Brochure: exact factors (references.md topic 3)
EXACT = [
    ("187.5 mph", "speed", 83.82),
    ("200 mph", "speed", 89.408),
    ("360 km/h", "speed", 100.0),
    ("0.1 kn", "speed", 0.1 * 1852 / 3600),
    ("3.7 in", "length", 0.09398),
    ("66 ft", "length", 20.1168),
    ("68 °F", "temperature", 20.0),
    ("1 lb", "mass", 0.45359237),
    ("1 psi", "pressure", 6894.757293168),
    ("1 inHg", "pressure", 3386.389),
    ("760 mmHg", "pressure", 101325.0),
    ("4150 mAh", "charge", 4.15),
    ("2 gn", "acceleration", 19.6133),
    ("0,311 s", "time", 0.311),
    ("88mm", "length", 0.088),
    ("1e3 ms", "time", 1.0),
]  # fmt: skip


@pytest.mark.parametrize(("text", "kind", "wanted"), EXACT)
def test_exact_factors(text: str, kind: str, wanted: float) -> None:
    assert parse_quantity(text, kind, "x").value == pytest.approx(wanted, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "step"),
    [
        ("187.5 mph", 0.1 * 0.44704),
        ("187 mph", 0.44704),
        ("0.311 s", 0.001),
        ("1.5e1 s", 1.0),
        ("187.50 mph", 0.01 * 0.44704),
    ],
)
def test_the_last_digit_quoted(text: str, step: float) -> None:
    kind = "time" if text.endswith(" s") else "speed"
    assert parse_quantity(text, kind, "x").step == pytest.approx(step, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("187.5", 'trap figure: "187.5" has no unit. Write it like "187.5 mph" '
                  "(units: m/s, km/h, mph, kn, ft/s, mm/s, cm/s)."),
        ("mph", 'trap figure: "mph" is not a number with a unit. Write it like "187.5 mph".'),
        ("187.5 furlongs", 'trap figure: "furlongs" is not a unit of speed. Write it like "187.5 mph" '
                           "(units: m/s, km/h, mph, kn, ft/s, mm/s, cm/s)."),
        ("1e300 mph", 'trap figure: "1e300 mph" is out of all reason. Write it like "187.5 mph".'),
    ],
)  # fmt: skip
def test_refusals_say_how_to_write_it(text: str, message: str) -> None:
    with pytest.raises(SpeedlogError) as caught:
        parse_quantity(text, "speed", "trap figure")
    assert str(caught.value) == message


@given(st.sampled_from(UNITS), st.floats(-1e6, 1e6))
def test_there_and_back(unit, number: float) -> None:
    assert unit.from_si(unit.to_si(number)) == pytest.approx(number, rel=1e-12, abs=1e-9)


def test_no_spelling_names_two_units_of_one_kind() -> None:
    seen: dict[tuple[str, str], str] = {}
    for unit in UNITS:
        for name in (unit.symbol.lower(), *unit.aliases):
            assert seen.setdefault((unit.kind, name), unit.symbol) == unit.symbol
            assert find_unit(name.upper(), unit.kind) in (unit, find_unit(name, unit.kind))


@given(st.text(max_size=40))
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        assert abs(parse_quantity(text, "speed", "x").value) <= 1e12
    except SpeedlogError as error:
        assert "\n" not in str(error)
