"""A suggested mapping reads its table as before, lists every column, and says what was guessed."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from speedlog.cli.inspect_suggest import same_table
from speedlog.demo import sample_folder
from speedlog.errors import SpeedlogError
from speedlog.importers import ReadOptions, Source, delimited, detect, load
from speedlog.importers.suggest import Suggestion, suggest_mapping
from speedlog.settings import ReadSettings

SHARED = Path(__file__).parents[2].parent / "shared"
TABLES = sorted(sample_folder().glob("*.csv")) + [
    path
    for folder in ("edge/files", "real/csv", "real/drive")
    for path in sorted((SHARED / folder).glob("*.*"))
    if path.suffix in (".csv", ".txt")
]


def suggested(source: Source, folder: Path) -> tuple[Suggestion, bool]:
    """The suggestion, and whether the table read with it is the same to the last bit."""
    found = suggest_mapping(source, ReadOptions())
    path = folder / "map.toml"
    path.write_text(found.text, encoding="utf-8", newline="\n")
    if found.start_only:
        tomllib.loads(found.text)
        return found, False
    plain, mapped = delimited.read(source), delimited.read(source, ReadOptions(columns=path))
    return found, same_table(plain, mapped)


@pytest.mark.parametrize("path", TABLES, ids=lambda path: path.name)
def test_every_table_at_hand_reads_the_same(path: Path, tmp_path: Path) -> None:
    try:
        source = load(path, ReadSettings())
        if detect(source).NAME != "delimited":
            return
    except SpeedlogError:
        return  # empty or erased
    found, same = suggested(source, tmp_path)
    try:
        delimited.read(source)
    except SpeedlogError as error:
        assert found.start_only == error.problem
    else:
        assert same and not found.start_only
    assert max(map(len, found.text.splitlines())) <= 110


def table(*lines: str) -> Source:
    return Source("odd.csv", "\n".join([*lines, ""]).encode("utf-8"))


def test_every_column_is_listed_with_its_unit_and_why_it_is_not_used(tmp_path: Path) -> None:
    source = table(
        "Time (s);eRPM;Motor current (A);Current (A);Temp;Altitude;Wheel speed (km/h);Whatever;;Fix",
        *(f"{at / 20:.2f};{at * 900};{at},5;{at}.5;41;12;{at};x{at};7;{at % 2}" for at in range(30)),
    )
    found, same = suggested(source, tmp_path)
    assert same and (found.used, found.listed) == (6, 10)
    for line in (
        'time = { header = "Time (s)", form = "elapsed", unit = "s" }',
        'rpm = { header = "eRPM", unit = "rpm", electrical = true }',
        'current_a = { header = "Current (A)", unit = "A" }',
        'controller_temp_c = { header = "Temp", unit = "°C" }',
        'alt_m = { header = "Altitude", unit = "m" }',
        'fix = { header = "Fix", form = "valid" }',
        '# current_a = { header = "Motor current (A)", unit = "A" }',
        '# ??? = { header = "Whatever" }',
        "# ??? = { column = 9 }",
    ):
        assert f"\n{line}\n" in found.text, line
    for words in (
        '"Current (A)" is used for current_a', "its header is not understood", "it has no header",
        "is a wheel's speed and no ground speed: left out", "DOUBT, unit: the usual one, none is stated",
        "DOUBT: \"Temp\" does not say of what",
    ):  # fmt: skip
        assert words in found.text, words


def test_a_guessed_unit_and_a_guessed_date_are_doubts(tmp_path: Path) -> None:
    rows = [f"05/06/2024 13:45:{at:02d},{53.1 + at * 1.8e-4:.6f},-1.2,72" for at in range(30)]
    found, same = suggested(table("Time,Latitude,Longitude,Speed", *rows), tmp_path)
    assert same and any("ambiguous" in doubt for doubt in found.doubts)
    assert '# date_order = "day first"  # guessed' in found.text and '# utc_offset = "+00:00"' in found.text
    assert (
        'DOUBT, unit: it agrees with the positions\nspeed_mps = { header = "Speed", unit = "km/h" }'
        in found.text
    )


@given(st.data())
@settings(max_examples=60, deadline=None)
def test_any_headers(tmp_path_factory: pytest.TempPathFactory, data: st.DataObject) -> None:
    """Quotes, backslashes, control characters, doubles and blanks among the headers change nothing."""
    odd = st.text(
        st.characters(
            exclude_characters=";\n\r\x0b\x0c\x1c\x1d\x1e\x85\u2028\u2029", exclude_categories=("Cs",)
        ),
        max_size=8,
    )
    known = (
        "Time (s)",
        "Speed (mph)",
        "rpm",
        "Throttle",
        "Temp",
        "Current",
        "TIME",
        "speed (MPH)",
        "Motor temp (F)",
    )
    heads = ["Time (ms)", "Speed (km/h)", *data.draw(st.lists(odd | st.sampled_from(known), max_size=6))]
    throttle = data.draw(st.sampled_from((1, 100, 1000)))
    lines = [";".join(heads)] + [
        ";".join([str(at * 50), f"{at}.5", *(str(throttle * (1 + at % 2) + 0 * at) for _ in heads[2:])])
        for at in range(12)
    ]
    source = table(*lines)
    try:
        delimited.read(source)
    except SpeedlogError:
        return
    found, same = suggested(source, tmp_path_factory.mktemp("map"))
    assert same, found.text


def test_a_mapping_of_the_users_is_kept(tmp_path: Path) -> None:
    mapping = tmp_path / "mine.toml"
    mapping.write_text(
        'decimal = ","\nignore = ["Speed (km/h)"]\n[columns]\ntime = { header = "t", form = "elapsed", unit = "ms" }\n'
        'throttle = { header = "Ch3", low = 1000, high = 2000 }\nrpm = { header = "n" }\n',
        encoding="utf-8",
    )
    source = table("t;Ch3;n;Speed (km/h)", *(f"{at * 40};{1000 + at};{at}00;{at},5" for at in range(20)))
    options = ReadOptions(columns=mapping)
    found = suggest_mapping(source, options)
    out = tmp_path / "map.toml"
    out.write_text(found.text, encoding="utf-8")
    assert same_table(delimited.read(source, options), delimited.read(source, replace(options, columns=out)))
    assert 'throttle = { header = "Ch3", low = 1000, high = 2000 }' in found.text
    assert "ignored by your mapping" in found.text


def test_a_table_that_cannot_be_read_gives_a_start() -> None:
    found = suggest_mapping(
        table("some logger", "zeit|a|b", "0.00|1|2", "0.05|3|4", "0.10|5|6"), ReadOptions()
    )
    assert found.start_only and (found.used, found.listed) == (0, 3)
    lines = found.text.splitlines()
    assert 'separator = "|"             # "," ";" "|" "tab" "blanks"' in lines
    assert any(line.startswith("header_line = 2 ") for line in lines)
    assert (
        '# time = { column = 1, form = "elapsed", unit = "s" }' in lines and "# ??? = { column = 3 }" in lines
    )


def test_a_decimal_comma_is_no_separator() -> None:
    """README's odd table: its first line is prose with a comma."""
    found = suggest_mapping(
        table("my controller, summer", "t;n", "0,00;0", "0,05;930", "0,10;1926"), ReadOptions()
    )
    assert (
        '\nseparator = ";" ' in found.text
        and '\ndecimal = "," ' in found.text
        and "\nheader_line = 2 " in found.text
    )
    assert '# column 2 "n": first "0", "930", "1926"\n# ??? = { column = 2 }' in found.text


def test_a_text_without_columns_is_refused() -> None:
    with pytest.raises(SpeedlogError, match="no rows of two columns"):
        suggest_mapping(table("just", "words"), ReadOptions())


def test_a_name_that_is_no_text_can_be_written() -> None:
    """A file's name on Linux may hold any byte; Python shows those that are no text as lone surrogates."""
    source = Source("a\udce4.csv", b"Time (s),RPM\n0,1\n1,2\n")
    assert b"a?.csv" in suggest_mapping(source, ReadOptions()).text.encode("utf-8")
