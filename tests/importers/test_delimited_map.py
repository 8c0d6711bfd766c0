"""The user's own mapping: what it can say, and one clear line for every mistake."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from speedlog.errors import SpeedlogError
from speedlog.importers import ReadOptions, Source, delimited
from speedlog.importers.delimited_map import Mapping, load_mapping
from speedlog.samples import Clock, Recording


def read(text: str, mapping: str, folder: Path, file: str = "log.csv") -> Recording:
    path = folder / "map.toml"
    path.write_text(mapping, encoding="utf-8")
    return delimited.read(Source(file, text.encode()), ReadOptions(columns=path))


def test_headers_that_say_nothing(tmp_path: Path) -> None:
    """By hand: 72 km/h is 20 m/s; 1500 of 1000 to 2000 is half throttle."""
    text = "t;V;n;Ch3\n0;72,0;40000;1500\n40;36,0;41000;2000\n80;54,0;42000;1000\n"
    mapping = """
        decimal = ","
        [columns]
        time = { header = "t", form = "elapsed", unit = "ms" }
        speed_mps = { header = "V", unit = "km/h" }
        rpm = { header = "n", electrical = true }
        throttle = { header = "Ch3", low = 1000, high = 2000 }
    """
    found = read(text, mapping, tmp_path)
    assert found.clock is Clock.ELAPSED and found.electrical_rpm
    np.testing.assert_allclose(found.samples["speed_mps"], [20.0, 10.0, 15.0])
    assert list(found.samples["rpm"]) == [40000.0, 41000.0, 42000.0]
    assert list(found.samples["throttle"]) == [0.5, 1.0, 0.0]
    assert found.samples.index[1].value == 40_000_000
    assert found.warnings == ()


@pytest.mark.parametrize("separator", [",", ";", "tab", "|", "blanks"])
def test_a_file_without_a_header_by_column_numbers(tmp_path: Path, separator: str) -> None:
    char = {"tab": "\t", "blanks": "  "}.get(separator, separator)
    rows = [
        ["2024-06-15T13:45:30Z", "53.1", "-1.2", "20.0"],
        ["2024-06-15T13:45:31Z", "53.10018", "-1.2", "20.5"],
    ]
    text = "\n".join(char.join(row) for row in rows) + "\n"
    mapping = f"""
        separator = "{separator}"
        header_line = 0
        [columns]
        time = {{ column = 1 }}
        lat_deg = {{ column = 2 }}
        lon_deg = {{ column = 3 }}
        speed_mps = {{ column = 4, unit = "m/s" }}
    """
    found = read(text, mapping, tmp_path)
    assert list(found.samples["speed_mps"]) == [20.0, 20.5]
    assert found.samples.index[0] == pd.Timestamp("2024-06-15T13:45:30Z")
    assert list(found.samples["lat_deg"]) == [53.1, 53.10018]


def test_the_rest_is_still_read_by_its_headers(tmp_path: Path) -> None:
    text = "Time (s),Speed,RPM,Wheel\n0.0,72,100,1\n0.1,72,200,2\n0.2,72,300,3\n"
    found = read(text, '[columns]\nspeed_mps = { header = "Speed", unit = "km/h" }\n', tmp_path)
    assert list(found.samples["rpm"]) == [100.0, 200.0, 300.0]
    np.testing.assert_allclose(found.samples["speed_mps"], 20.0)


def test_a_header_line_further_down(tmp_path: Path) -> None:
    text = "Time,Speed\na,b\nZeitstempel,Wert\n0.0,100\n0.1,200\n0.2,300\n"
    mapping = """
        header_line = 3
        [columns]
        time = { header = "zeitstempel", form = "elapsed", unit = "s" }
        rpm = "Wert"
    """
    assert list(read(text, mapping, tmp_path).samples["rpm"]) == [100.0, 200.0, 300.0]


def test_ignored_headers_and_dates_and_offsets(tmp_path: Path) -> None:
    text = "Time,GPS speed (km/h),Speed (km/h)\n05/06/2024 15:45:30,90,72\n05/06/2024 15:45:31,90,72\n"
    mapping = 'date_order = "month first"\nutc_offset = "+02:00"\nignore = ["GPS speed (km/h)"]\n'
    found = read(text, mapping, tmp_path)
    assert found.samples.index[0] == pd.Timestamp("2024-05-06T13:45:30Z")
    np.testing.assert_allclose(found.samples["speed_mps"], 20.0)
    assert found.warnings == ()


def test_only_for_the_files_named(tmp_path: Path) -> None:
    path = tmp_path / "map.toml"
    path.write_text('files = ["esc*.csv"]\nseparator = ";"\n', encoding="utf-8")
    assert load_mapping(path, "logs/esc_1.csv").separator == ";"
    assert load_mapping(path, "C:\\logs\\esc_1.csv").separator == ";"
    assert load_mapping(path, "gnss.csv") == Mapping()
    assert load_mapping(None, "esc_1.csv") == Mapping()


MISTAKES = [
    ("columns = 3", "columns is no table"),
    ("speed = 1", "speed is not known"),
    ("[columns]\nspeed = {header = 'V'}", "columns.speed is not known"),
    ("[columns]\nspeed_mps = {header = 'V', units = 'km/h'}", "columns.speed_mps.units is not known"),
    ("[columns]\nspeed_mps = {header = 'V', unit = 'parsec'}", "columns.speed_mps.unit"),
    ("[columns]\nhdop = {header = 'V', unit = 'm'}", "hdop has no unit"),
    ("[columns]\nspeed_mps = {unit = 'km/h'}", "needs a header or a column"),
    ("[columns]\nspeed_mps = {header = 'V', column = 2}", "needs a header or a column"),
    ("[columns]\nspeed_mps = {column = 0}", "columns.speed_mps.column"),
    ("[columns]\nspeed_mps = {column = true}", "columns.speed_mps.column"),
    ("[columns]\nspeed_mps = {header = 4}", "columns.speed_mps.header"),
    ("[columns]\nspeed_mps = 4", "columns.speed_mps is no table"),
    ("[columns]\ntime = {header = 'V', form = 'soon'}", "columns.time.form"),
    ("[columns]\nrpm = {header = 'V', form = 'elapsed'}", "columns.rpm.form"),
    ("[columns]\nvoltage_v = {header = 'V', electrical = true}", "columns.voltage_v.electrical"),
    ("[columns]\nrpm = {header = 'V', electrical = 1}", "columns.rpm.electrical"),
    ("[columns]\ncurrent_a = {header = 'V', of = 'wheel'}", "columns.current_a.of"),
    ("[columns]\nthrottle = {header = 'V', low = 1000}", "columns.throttle.low"),
    ("[columns]\nthrottle = {header = 'V', low = 2000, high = 1000}", "columns.throttle.low"),
    ("separator = 'x'", "separator"),
    ("decimal = ';'", "decimal"),
    ("encoding = 'ebcdic'", "encoding"),
    ("date_order = 'any'", "date_order"),
    ("utc_offset = 2", "utc_offset"),
    ("utc_offset = '+25:00'", "utc_offset"),
    ("header_line = -1", "header_line"),
    ("header_line = true", "header_line"),
    ("header_line = 900", "has no such line"),
    ("header_line = 0\n[columns]\ntime = 'V'", "header_line is 0"),
    ("ignore = 'V'", "ignore is no list"),
    ("files = [1]", "files is no list"),
    ("columns", "is not TOML"),
    ("[columns]\nspeed_mps = {header = 'Velo', unit = 'km/h'}", "which the table does not have"),
    ("[columns]\nspeed_mps = {column = 44, unit = 'km/h'}", "column 44 where the table has 3"),
]


@pytest.mark.parametrize(("mapping", "wanted"), MISTAKES)
def test_every_mistake_is_one_line_with_file_and_key(tmp_path: Path, mapping: str, wanted: str) -> None:
    text = "Time (s),V,RPM\n0.0,72,1\n0.1,72,2\n0.2,72,3\n"
    with pytest.raises(SpeedlogError) as error:
        read(text, mapping, tmp_path)
    message = str(error.value)
    assert wanted in message and "map.toml" in message and "\n" not in message
    assert error.value.todo


def test_a_mapping_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(SpeedlogError, match="can't be read"):
        load_mapping(tmp_path / "none.toml", "log.csv")
    with pytest.raises(SpeedlogError, match="can't be read"):
        load_mapping(tmp_path, "log.csv")
    (tmp_path / "latin.toml").write_bytes(b'separator = "\xb0"')
    with pytest.raises(SpeedlogError, match="UTF-8"):
        load_mapping(tmp_path / "latin.toml", "log.csv")
