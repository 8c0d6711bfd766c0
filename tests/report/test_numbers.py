"""Speeds on the page: tokens, units, digits. Factors by hand from NIST SP 811: 1 mph = 0.44704 m/s."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from speedlog.errors import SpeedlogError
from speedlog.report.numbers import as_html, as_text, dif, mps, num, speed_unit, with_tokens, write_number

MPH, KMH, MPS = speed_unit("mph"), speed_unit("km/h"), speed_unit("m/s")


@pytest.mark.parametrize(
    ("unit", "text"),
    [(MPH, "100.0"), (KMH, "160.9"), (MPS, "44.70")],  # 100 mph = 160.9344 km/h = 44.704 m/s
)
def test_a_speed_is_written_in_the_unit_with_its_digits(unit, text: str) -> None:
    assert write_number(44.704, unit) == text


def test_a_difference_has_its_sign_and_never_minus_nothing() -> None:
    assert as_text(dif(-0.44704), MPH) == "−1.0\u00a0mph"
    assert as_text(dif(0.44704), MPH) == "+1.0\u00a0mph"
    assert as_text(dif(-0.01), MPH) == "0.0\u00a0mph"


def test_a_token_becomes_an_element_with_its_metres_per_second() -> None:
    html = str(as_html(f"from {num(44.704)} to {mps(89.408)}", MPH))
    assert html == (
        'from <span class="n" data-mps="44.7040">100.0</span> to '
        '<span class="n" data-mps="89.4080">200.0</span>\u00a0<span class="u" data-unit>mph</span>'
    )


def test_text_round_a_token_is_escaped() -> None:
    assert "<b>" not in str(as_html(f'<b>{mps(1)}</b> & "x"', MPH))


def test_a_sentence_keeps_its_digits_in_its_own_unit_and_converts_in_others() -> None:
    sentence = with_tokens("The trap's 187.53 mph stands: 187.1 to 188.4 mph.")
    assert as_text(sentence, MPH) == "The trap's 187.53\u00a0mph stands: 187.1 to 188.4\u00a0mph."
    # 187.53 mph * 1.609344 = 301.80 km/h; 187.1 -> 301.1; 188.4 -> 303.2
    assert as_text(sentence, KMH) == "The trap's 301.8\u00a0km/h stands: 301.1 to 303.2\u00a0km/h."


def test_a_speed_in_brackets_in_another_unit_stays_as_it_is_written() -> None:
    sentence = with_tokens(
        "stops at 158.4 mph (255.0 km/h), 6.9 m/s low (255 km/h, 8 bits); 10 mph (9 to 11 mph)"
    )
    # 6.9 m/s = 15.4 mph
    shown = as_text(sentence, MPH).replace("\u00a0", " ")
    assert shown == "stops at 158.4 mph (255.0 km/h), 15.4 mph low (255 km/h, 8 bits); 10 mph (9 to 11 mph)"
    # 158.4 mph = 70.81 m/s; 10, 9, 11 mph = 4.47, 4.02, 4.92 m/s
    shown = as_text(sentence, MPS).replace("\u00a0", " ")
    assert (
        shown
        == "stops at 70.81 m/s (255.0 km/h), 6.9 m/s low (255 km/h, 8 bits); 4.47 m/s (4.02 to 4.92 m/s)"
    )


def test_plus_minus_is_one_piece_with_its_number() -> None:
    assert as_text(with_tokens("it was 187.9 ± 1.6 mph"), MPH) == "it was 187.9\u00a0±\u00a01.6\u00a0mph"


@pytest.mark.parametrize("text", ["gained 1.3 m/s² there", "p187.5 mph_x", "3 m/s/s", "an 88 mm wheel"])
def test_what_is_no_speed_is_left_alone(text: str) -> None:
    assert with_tokens(text) == text


@given(st.text(max_size=60))
def test_no_text_whatever_brings_markup_of_its_own(text: str) -> None:
    html = str(as_html(with_tokens(text), MPH))
    plain = html.replace("<span ", "").replace("</span>", "")
    assert html.count("<") == html.count("<span ") + html.count("</span>") and "<" not in plain


def test_only_the_page_s_three_units_are_taken() -> None:
    with pytest.raises(SpeedlogError) as caught:
        speed_unit("kn")
    assert str(caught.value) == 'unit: "kn" is not a unit of the page. Take mph, km/h or m/s.'
