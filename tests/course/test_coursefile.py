"""course.toml: the contract's form, and one clear line for every mistake."""

# ruff: noqa: E501  (whole messages are compared)

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from speedlog.course.coursefile import Course
from speedlog.course.geometry import Line
from speedlog.errors import SpeedlogError

FULL = """
name = "North end"
time_zone = "Europe/Lisbon"
[line]
start = [53.10000, -1.20000]
heading_deg = 75.0
begin_m = -30.0
end_m = 1800.0
[trap]
entry_m = 520.0
exit_m  = 550.0
timer_resolution_s = 0.001
length_u_m = 0.02
place_u_m = 0.5
"""
SHORT = 'name = "x"\n[line]\nstart = [53.1, -1.2]\nheading_deg = 75\n[trap]\nentry_m = 520\nexit_m = 550\n'


def load(tmp_path, text: str | bytes) -> Course:
    path = tmp_path / "course.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
    return Course.load(path)


def test_every_key(tmp_path):
    course = load(tmp_path, FULL)
    assert course == Course(
        "North end", Line(53.1, -1.2, 75.0), 520.0, 550.0, 1800.0, "Europe/Lisbon", 0.001, 0.02, 0.5,
        begin_m=-30.0,
    )  # fmt: skip
    assert course.length_m == 30.0 and course.defaulted == ()


def test_room_after_the_trap_in_both_directions(tmp_path):
    course = load(tmp_path, FULL)
    # by hand: 1800 - 550, and 520 + 30
    assert (course.room_m(True), course.room_m(False)) == (1250.0, 550.0)
    short = load(tmp_path, SHORT)
    assert short.room_m(True) is None and short.room_m(False) is None


def test_defaults_are_named(tmp_path):
    course = load(tmp_path, SHORT)
    # design contract, section 5: 1 ms, 20 mm, 0 m
    assert (course.timer_resolution_s, course.length_u_m, course.place_u_m) == (0.001, 0.02, 0.0)
    assert course.defaulted == ("timer_resolution_s", "length_u_m", "place_u_m")


def test_lengths_as_text_with_units(tmp_path):
    text = SHORT.replace("= 520", '= "1706 ft"').replace("= 550", '= "550 m"')
    assert load(tmp_path, text).entry_m == pytest.approx(1706 * 0.3048)  # a foot is 0.3048 m, NIST SP 811


def test_bom_of_a_windows_editor(tmp_path):
    assert load(tmp_path, b"\xef\xbb\xbf" + SHORT.replace("\n", "\r\n").encode()).name == "x"


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("entry_m = 520\n", ""), "[trap] entry_m is missing (the trap's first beam, along the line). Add it."),
        (("heading_deg = 75\n", ""), "[line] heading_deg is missing (true heading of the outbound direction). Add it."),
        (
            ("start = [53.1, -1.2]\n", ""),
            "[line] start is missing (where the line starts). "
            "Write it like start = [53.10000, -1.20000]: latitude, longitude, degrees.",
        ),
        (('name = "x"\n', ""), 'name is missing. Write it like name = "…" on the first line.'),
        (('name = "x"', "name = 3"), 'name must be text. Write it like name = "…".'),
        (
            ("entry_m = 520", "entry_m = 560"),
            "[trap] entry_m (560) must be less than exit_m (550). Both count along the outbound direction.",
        ),
        (
            ("entry_m = 520", "entry_m = 550"),
            "[trap] entry_m (550) must be less than exit_m (550). Both count along the outbound direction.",
        ),
        (
            ("entry_m = 520", "entry_m = true"),
            "[trap] entry_m must be a number (the trap's first beam, along the line). Write it like entry_m = 520.0.",
        ),
        (
            ("entry_m = 520", "entry_m = [1]"),
            "[trap] entry_m must be a number (the trap's first beam, along the line). Write it like entry_m = 520.0.",
        ),
        (
            ("entry_m = 520", "entry_m = nan"),
            "[trap] entry_m is nan, expected 0 to 20000 (the trap's first beam, along the line)",
        ),
        (
            ("entry_m = 520", "entry_m = -20"),
            "[trap] entry_m is -20.0, expected 0 to 20000 (the trap's first beam, along the line)",
        ),
        (
            ("entry_m = 520", 'entry_m = "520"'),
            '[trap] entry_m: "520" has no unit. Write it like "30 m" (units: m, mm, cm, km, ft, in, yd).',
        ),
        (
            ("entry_m = 520", 'entry_m = "520 s"'),
            '[trap] entry_m: "s" is not a unit of length. '
            'Write it like "30 m" (units: m, mm, cm, km, ft, in, yd).',
        ),
        (
            ("[53.1, -1.2]", "[91.0, -1.2]"),
            "[line] start: latitude 91.0 is not between -90 and 90. Latitude comes first, then longitude.",
        ),
        (
            ("[53.1, -1.2]", "[53.1, 181]"),
            "[line] start: longitude 181 is not between -180 and 180. Latitude comes first, then longitude.",
        ),
        (
            ("[53.1, -1.2]", "[53.1]"),
            "[line] start must be two numbers. "
            "Write it like start = [53.10000, -1.20000]: latitude, longitude, degrees.",
        ),
        (("heading_deg = 75", "heading_deg = 361"), "[line] heading_deg is 361.0, expected 0 to 360 (true heading of the outbound direction)"),
        (("entry_m = 520", "entry = 520"), 'unknown key "entry" in [trap]. Did you mean "entry_m"?'),
        (('name = "x"', 'name = "x"\nentry_m = 3'), 'unknown key "entry_m". It belongs in [trap].'),
        (('name = "x"', 'name = "x"\ncolour = 3'), 'unknown key "colour". Known here: name, time_zone, line, trap.'),
        (
            ('name = "x"', 'name = "x"\ntime_zone = "Europe/Lisbn"'),
            'time_zone "Europe/Lisbn" is no time zone. Write an IANA name such as "Europe/Lisbon" or "Europe/Berlin".',
        ),
        (
            ("[trap]", "end_m = 540\n[trap]"),
            "[line] end_m (540) lies before the trap's exit_m (550). Check both.",
        ),
        (
            ("[trap]", "begin_m = 530\n[trap]"),
            "[line] begin_m (530) lies behind the trap's entry_m (520). Check both.",
        ),
        (("[trap]", "[[trap]]"), "trap must be a table. Write [trap] on a line of its own."),
    ],
)  # fmt: skip
def test_a_mistake_is_one_line_with_file_and_key(tmp_path, change, message):
    assert change[0] in SHORT
    with pytest.raises(SpeedlogError) as caught:
        load(tmp_path, SHORT.replace(*change))
    text = str(caught.value)
    assert text.startswith(str(tmp_path / "course.toml") + ": ")
    found = text.split("course.toml: ", 1)[1]
    if "time_zone" in message:  # the second nearest name depends on the zones this computer knows
        assert found.startswith(message.split(" or ")[0])
    else:
        assert found == message
    assert "\n" not in text


def test_no_toml_names_the_line(tmp_path):
    with pytest.raises(SpeedlogError) as caught:
        load(tmp_path, 'name = "x"\n[line]\nstart = [53.1, -1.2\n')
    assert "course.toml, line 3: not TOML: Unclosed array" in str(caught.value)
    with pytest.raises(SpeedlogError, match=r"line 2: not TOML: "):
        load(tmp_path, 'name = "x"\nstart 53\n')


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"\xff\xfen\x00a\x00", "is not UTF-8 text"),
        (b"x" * 1_000_001, "too big for a course"),
        (b"a = " + b"[" * 100_000, "not"),
    ],
)
def test_other_files_are_refused(tmp_path, data, words):
    with pytest.raises(SpeedlogError, match=words):
        load(tmp_path, data)


def test_no_file_and_no_folder(tmp_path):
    with pytest.raises(SpeedlogError, match="no such file"):
        Course.load(tmp_path / "none.toml")
    with pytest.raises(SpeedlogError, match="can't be read"):
        Course.load(tmp_path)


def test_trap_length_on_both_sides_of_the_least(tmp_path):
    assert load(tmp_path, SHORT.replace("= 550", "= 520.1001")).length_m == pytest.approx(0.1001)
    with pytest.raises(SpeedlogError, match=r"only 0\.0999 m long"):
        load(tmp_path, SHORT.replace("= 550", "= 520.0999"))


@given(
    st.text(min_size=1).filter(str.strip),
    st.floats(-90, 90),
    st.floats(-180, 180),
    st.floats(0, 359.999),
    st.floats(0, 1000),
    st.floats(0.2, 500),
    st.one_of(st.none(), st.floats(2000, 3000)),
    st.sets(st.sampled_from(["timer_resolution_s", "length_u_m", "place_u_m"])),
)
def test_round_trip(name, lat, lon, heading, entry, length, end, given_keys):
    values = dict.fromkeys(given_keys, 0.25)
    order = ("timer_resolution_s", "length_u_m", "place_u_m")
    course = Course(
        name.encode("utf-8", "replace").decode(),
        Line(lat, lon, heading),
        entry,
        entry + length,
        end,
        "Europe/Lisbon",
        defaulted=tuple(key for key in order if key not in given_keys),
        **values,
    )
    assert Course.from_mapping(tomllib.loads(course.to_toml())) == course
