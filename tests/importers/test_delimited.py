"""Tables as text, each with values converted by hand."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from speedlog.errors import SpeedlogError
from speedlog.importers import ReadOptions, Source, delimited
from speedlog.samples import Clock, Recording

SHARED = Path(__file__).parents[2].parent / "shared"
needs_shared = pytest.mark.skipif(not SHARED.is_dir(), reason="shared/ is not beside this checkout")

# by hand: 36 km/h is 10 m/s, 54 km/h 15 m/s, 72 km/h 20 m/s
TIMES = ["2024-06-15T13:45:30.000Z", "2024-06-15T13:45:30.200Z", "2024-06-15T13:45:30.400Z"]
LAT, LON, KMH, MPS = (
    ["53.1", "53.100018", "53.100045"],
    ["-1.2", "-1.2", "-1.2"],
    ["36", "54.0", "72.00"],
    [10.0, 15.0, 20.0],
)


def load(text: str | bytes, options: ReadOptions | None = None) -> Recording:
    data = text if isinstance(text, bytes) else text.encode("utf-8")
    assert delimited.sniff(data[:65536])
    return delimited.read(Source("log.csv", data), options)


def table(separator: str = ",", decimal: str = ".", end: str = "\n") -> str:
    rows = [["Time (UTC)", "Latitude", "Longitude", "Speed (km/h)"]]
    rows += [[time, lat, lon, kmh] for time, lat, lon, kmh in zip(TIMES, LAT, LON, KMH, strict=True)]
    if decimal == ",":
        rows = [rows[0], *([row[0], *(cell.replace(".", ",") for cell in row[1:])] for row in rows[1:])]
    return end.join(separator.join(row) for row in rows) + end


def check_table(found: Recording) -> None:
    assert found.clock is Clock.UTC
    assert list(found.samples.index) == [pd.Timestamp(time) for time in TIMES]
    np.testing.assert_allclose(found.samples["lat_deg"], [53.1, 53.100018, 53.100045], rtol=1e-14)
    np.testing.assert_allclose(found.samples["lon_deg"], [-1.2, -1.2, -1.2], rtol=1e-14)
    np.testing.assert_allclose(found.samples["speed_mps"], MPS, rtol=1e-14)
    assert found.rejected == 0


@pytest.mark.parametrize("separator", [",", ";", "\t", "|", "  ", " , ", "; "])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_every_separator_and_line_end(separator: str, end: str) -> None:
    text = table(separator, end=end)
    if separator == "  ":  # a table of blanks can't have blanks in its headers
        text = text.replace("Time (UTC)", "Time(UTC)").replace("Speed (km/h)", "Speed(km/h)")
    check_table(load(text))


@pytest.mark.parametrize("separator", [";", "\t", "|"])
def test_decimal_comma(separator: str) -> None:
    found = load(table(separator, ","))
    check_table(found)
    assert found.facts["decimal"] == ","


def test_decimal_comma_in_quotes_between_commas() -> None:
    lines = table(",").splitlines()

    def quoted(line: str) -> str:
        return ",".join(
            f'"{cell.replace(".", ",")}"' if at else cell for at, cell in enumerate(line.split(","))
        )

    check_table(load("\n".join([lines[0], *map(quoted, lines[1:])]) + "\n"))


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1", "cp1252"]
)
def test_every_encoding(encoding: str) -> None:
    check_table(load(table().replace("Latitude", "Latitude (°)").encode(encoding)))


def test_one_broken_byte_does_not_change_the_encoding() -> None:
    data = table().replace("Latitude", "Latitude (°)").encode("utf-8")
    found = load(b"# car \xff one\n" + data)
    check_table(found)


def test_preamble_units_row_comments_and_quotes() -> None:
    text = (
        "Device: Q-1\nDriver: nobody, at all\nSample rate: 5 Hz\n\n"
        '"Time","Latitude","Longitude","Speed"\n"[UTC]","[deg]","[deg]","[km/h]"\n'
        f'{TIMES[0]},"53.1",-1.2,36\n# a marker, made by hand, at, once\n{TIMES[1]},53.100018,-1.2,54\n\n'
        f"// another\n{TIMES[2]},53.100045,-1.2,72\n"
    )
    found = load(text)
    check_table(found)
    assert found.facts["header line"] == "5"


def test_a_header_in_a_comment_line() -> None:
    check_table(load("# made by a logger\n# " + table()))


def test_a_header_written_again_by_a_restarted_logger() -> None:
    lines = table().splitlines()
    found = load("\n".join([*lines[:3], lines[0], lines[3]]) + "\n")
    check_table(found)
    assert any("header stands 1 more" in warning for warning in found.warnings)


def test_extra_separators_at_the_ends_of_rows() -> None:
    lines = table().splitlines()
    check_table(load("\n".join([lines[0], *(line + "," for line in lines[1:])]) + "\n"))
    check_table(load("\n".join([lines[0] + ",,", *(line + ",," for line in lines[1:])]) + "\n"))
    check_table(load("\n".join([lines[0], lines[1] + ",,", *lines[2:]]) + "\n"))


def test_nul_bytes_of_a_power_cut_at_the_end() -> None:
    check_table(load(table().encode() + b"\0" * 5000))


def long_table(rows: int = 60, speed: str = "{:.2f}") -> list[str]:
    """A straight run north at 20 m/s, 5 Hz, speed in km/h; 4 m are 4 / 111,264 degrees near 53.1 N."""
    start = datetime(2024, 6, 15, 13, 45, 30, tzinfo=UTC)
    return [
        f"{(start + timedelta(seconds=0.2 * at)).isoformat()},"
        f"{53.1 + at * 4 / 111_264:.7f},-1.2000000,{speed.format(72.0)}"
        for at in range(rows)
    ]


HEAD = "Time,Latitude,Longitude,Speed (km/h)"


def test_a_last_row_cut_inside_a_number_is_dropped_and_counted() -> None:
    rows = long_table()
    for cut in (rows[-1][:-8], rows[-1][:-12], rows[-1][:-1], rows[-1][:-3]):
        found = load("\n".join([HEAD, *rows[:-1], cut]))
        assert (len(found.samples), found.rejected) == (59, 1), cut
        assert found.rejects[0].line == 61
    whole = load("\n".join([HEAD, *rows]))  # no line end, but nothing is missing
    assert (len(whole.samples), whole.rejected) == (60, 0)


def test_rows_with_too_few_or_too_many_fields_are_rejected_with_their_line() -> None:
    rows = long_table()
    found = load(
        "\n".join([HEAD, *rows[:20], rows[20][:40], rows[21] + ",1,2", '"' + rows[22], *rows[23:]]) + "\n"
    )
    assert [reject.line for reject in found.rejects] == [22, 23, 24]
    assert len(found.samples) == 57
    assert "4 are expected" in found.rejects[1].reason and "quotation" in found.rejects[2].reason


def test_a_logger_that_leaves_out_trailing_blanks_keeps_its_rows() -> None:
    rows = [row if at % 3 else row.rsplit(",", 1)[0] for at, row in enumerate(long_table())]
    found = load("\n".join([HEAD, *rows]) + "\n")
    assert (len(found.samples), found.rejected) == (60, 0)
    assert found.samples["speed_mps"].isna().sum() == 20
    assert any("fewer fields" in warning for warning in found.warnings)


def test_a_row_without_a_readable_time_is_rejected() -> None:
    rows = long_table()
    rows[10] = "no time" + rows[10][rows[10].index(",") :]
    found = load("\n".join([HEAD, *rows]) + "\n")
    assert (len(found.samples), found.rejected, found.rejects[0].line) == (59, 1, 12)


def test_cells_that_say_nothing() -> None:
    rows = long_table(12)
    for at, cell in enumerate(["--", "n/a", "", "NaN", "-", "null", "N/A", "  ", "nan", "None"]):
        rows[at] = rows[at].rsplit(",", 1)[0] + "," + cell
    found = load("\n".join([HEAD, *rows]) + "\n")
    assert found.samples["speed_mps"].notna().sum() == 2
    assert (len(found.samples), found.rejected) == (12, 0)
    assert not [warning for warning in found.warnings if "Speed" in warning]


def test_a_cell_that_is_no_number_is_left_blank_with_a_warning() -> None:
    rows = long_table(12)
    rows[3] = rows[3].rsplit(",", 1)[0] + ",fast"
    found = load("\n".join([HEAD, *rows]) + "\n")
    assert np.isnan(found.samples["speed_mps"].iloc[3]) and found.samples["speed_mps"].notna().sum() == 11
    assert any('line 5: "fast"' in warning for warning in found.warnings)


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("", "holds no text"),
        (HEAD + "\n", "no rows"),
        ("\n".join(long_table()), "no line names at least two known columns"),
        ("just some words, and some more\nand a second line, too\n", "no line names"),
        ("Time (s),Satellites,HDOP\n" + "\n".join(f"{at},9,1.0" for at in range(9)), "holds no positions"),
        ("Latitude,Longitude\n53.1,-1.2\n53.2,-1.2\n", "no column holds times"),
        ("Time (s),Speed\n" + "\n".join(f"{at},20" for at in range(9)), "unit is not stated"),
    ],
)
def test_what_can_not_be_used_is_refused_in_one_line(text: str, wanted: str) -> None:
    with pytest.raises(SpeedlogError, match=wanted) as error:
        delimited.read(Source("log.csv", text.encode()))
    assert "\n" not in str(error.value) and "log.csv" in str(error.value)


def test_a_refused_header_shows_how_to_map() -> None:
    with pytest.raises(SpeedlogError) as error:
        load("\n".join(long_table()))
    assert "--columns map.toml" in str(error.value) and "column = 1" in str(error.value)


def test_several_candidates_are_chosen_by_rule_and_told() -> None:
    text = "Time (s),Wheel speed (km/h),Speed (mph),GPS speed (km/h),Motor current (A),Battery current (A)\n"
    text += "\n".join(f"{at * 0.1:.1f},90,44.7,72,300,120" for at in range(20))
    found = load(text)
    np.testing.assert_allclose(found.samples["speed_mps"], 20.0)
    np.testing.assert_allclose(found.samples["current_a"], 120.0)
    assert found.facts["current"] == "pack"
    assert 'speed_mps from "GPS speed (km/h)"' in found.facts["columns"]
    assert any(
        warning.startswith('speed_mps: "GPS speed (km/h)" is used, not "Speed (mph)"')
        for warning in found.warnings
    )
    assert any("Wheel speed" in warning and "left out" in warning for warning in found.warnings)


def test_a_motor_current_alone_says_so() -> None:
    found = load("Time (s),Motor current (A)\n0.0,10\n0.1,20\n0.2,30\n")
    assert found.facts["current"] == "motor"


def test_a_speed_controllers_log() -> None:
    """By hand: 212 °F is 100 °C, 122 °F is 50 °C; 44,100 mV are 44.1 V; 50 % is 0.5."""
    text = "Time (ms),eRPM,Current (A),Vbat (mV),Motor temp [F],Temp (ESC) °C,Throttle (%)\n"
    text += "0,240000,80,44100,212,55,50\n20,240600,81.5,44000,122,56,100\n40,241000,82,43900,122,56,0\n"
    found = load(text)
    first = found.samples.iloc[0]
    assert found.clock is Clock.ELAPSED and found.electrical_rpm and not found.has_positions
    assert found.rate_hz == pytest.approx(50.0)
    assert (first["rpm"], first["current_a"]) == (240000.0, 80.0)
    assert first["voltage_v"] == pytest.approx(44.1) and first["motor_temp_c"] == pytest.approx(100.0)
    assert first["controller_temp_c"] == 55.0 and first["throttle"] == pytest.approx(0.5)
    assert not load("Time (s),RPM\n0.0,100\n0.1,200\n0.2,300\n").electrical_rpm


def test_a_bare_temperature_is_the_controllers_only_in_a_controllers_log() -> None:
    found = load("Time (s),RPM,Temp (C)\n0.0,100,41\n0.1,200,42\n0.2,300,43\n")
    assert list(found.samples["controller_temp_c"]) == [41.0, 42.0, 43.0]
    assert any("does not say of what" in warning for warning in found.warnings)
    rows = "\n".join(row + ",21" for row in long_table(12))
    assert load(f"{HEAD},Temp (C)\n{rows}\n").samples["controller_temp_c"].isna().all()


def test_cells_that_carry_their_unit() -> None:
    found = load("Time (s),Speed,Voltage\n0.0,72 km/h,44.1 V\n0.1,36 km/h,44.0 V\n0.2,54 km/h,43.9 V\n")
    np.testing.assert_allclose(found.samples["speed_mps"], [20.0, 10.0, 15.0])
    np.testing.assert_allclose(found.samples["voltage_v"], [44.1, 44.0, 43.9])


def test_thousands_in_quotes() -> None:
    found = load('Time (s),RPM,Voltage (V)\n0.0,"40,000",44.1\n0.1,"41,500",44.0\n0.2,"9,800",43.5\n')
    assert list(found.samples["rpm"]) == [40000.0, 41500.0, 9800.0]


@pytest.mark.parametrize(
    ("cells", "lat", "lon"),
    [
        ("Lat,Lon\n{t}33.5 S,70.5 W\n", -33.5, -70.5),
        ("Lat,N/S,Lon,E/W\n{t}33.5,S,70.5,W\n", -33.5, -70.5),
        ("Lat,N/S,Lon,E/W\n{t}5306.6,N,00112.3,W\n", 53.11, -1.205),  # 53° 06.6', 1° 12.3'
        ("Latitude,Longitude\n{t}531100000,-12050000\n", 53.11, -1.205),  # units of 1e-7 degree
    ],
)
def test_other_ways_of_writing_a_position(cells: str, lat: float, lon: float) -> None:
    head, row = cells.split("\n")[:2]
    text = (
        f"Time (UTC),{head}\n"
        + "\n".join(row.format(t=f"2024-06-15T13:45:3{at}Z,") for at in range(4))
        + "\n"
    )
    found = load(text)
    np.testing.assert_allclose(found.samples["lat_deg"], lat, rtol=1e-12)
    np.testing.assert_allclose(found.samples["lon_deg"], lon, rtol=1e-12)


def test_swapped_positions_are_put_right_with_a_warning() -> None:
    rows = [f"{at * 0.2:.1f},139.{at:05d}1,35.00001" for at in range(20)]
    found = load("Time (s),Latitude,Longitude\n" + "\n".join(rows) + "\n")
    assert found.samples["lat_deg"].iloc[0] == 35.00001 and found.samples["lon_deg"].iloc[0] == 139.000001
    assert any("swapped" in warning for warning in found.warnings)


def test_x_and_y_are_positions_only_where_they_can_be() -> None:
    rows = [f"{at * 0.2:.1f},116.3913{at:02d},39.8985{at:02d}" for at in range(20)]
    found = load("Time (s),X,Y\n" + "\n".join(rows) + "\n")
    assert found.samples["lon_deg"].iloc[0] == 116.3913 and any(
        "longitude" in warning for warning in found.warnings
    )
    metres = [f"{at * 0.2:.1f},{at * 1.5},{at * 0.5}" for at in range(20)]
    with pytest.raises(SpeedlogError, match="holds no positions"):
        load("Time (s),X,Y\n" + "\n".join(metres) + "\n")


def test_lines_of_several_kinds_marked_by_their_first_word() -> None:
    text = "# Raw,Svid,Cn0DbHz\n# Pos,Time,Latitude,Longitude\n"
    text += "".join(
        f"Raw,5,40.1\nRaw,7,41.0\nPos,2024-06-15T13:45:3{at}Z,53.1000{at},-1.2\n" for at in range(6)
    )
    found = load(text)
    assert (len(found.samples), found.rejected) == (6, 0)
    assert any("of another kind" in warning for warning in found.warnings)


def test_thousands_of_columns() -> None:
    head = HEAD + "".join(f",ch{at}" for at in range(3000))
    found = load("\n".join([head, *(row + ",0" * 3000 for row in long_table(10))]) + "\n")
    np.testing.assert_allclose(found.samples["speed_mps"], 20.0)


def test_the_order_of_columns_does_not_matter() -> None:
    cells = [line.split(",") for line in [HEAD, *long_table(20)]]
    expected = load("\n".join(",".join(row) for row in cells)).samples

    @settings(max_examples=20, deadline=None)
    @given(st.permutations(range(4)))
    def check(order: list[int]) -> None:
        found = load("\n".join(",".join(row[at] for at in order) for row in cells)).samples
        pd.testing.assert_frame_equal(found, expected)

    check()


WORDS = st.sampled_from(
    ["Time", "Date", "Lat", "Lon", "Speed (km/h)", "RPM", "2024-06-15T13:45:30Z", "13:45:30",
     "05/06/2024", "53.1", "-1.2", ",", ";", "\t", " ", "|", "\n", "\r\n", '"', "#", "1e999", "nan", "12:60",
     "\0", "°", "-", "1718459130000", "é", "99999999999999999999"]
)  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(
    st.one_of(
        st.binary(max_size=300),
        st.text(max_size=300).map(lambda text: text.encode("utf-8", errors="replace")),
        st.lists(WORDS, max_size=80).map(lambda words: "".join(words).encode()),
    )
)
def test_any_bytes_give_a_recording_or_a_clear_error(data: bytes) -> None:
    assert delimited.sniff(data) in (True, False)
    try:
        found = delimited.read(Source("any.csv", data))
    except SpeedlogError as error:
        assert str(error)
    else:
        assert len(found.samples) > 0


@settings(max_examples=200, deadline=None)
@given(
    st.lists(
        st.lists(WORDS.filter(lambda word: word not in ("\n", "\r\n", ",")), min_size=4, max_size=4),
        min_size=1,
        max_size=12,
    )
)
def test_any_cells_under_a_good_header(rows: list[list[str]]) -> None:
    text = "\n".join(["Time,Lat,Lon,Speed (km/h)", *(",".join(row) for row in rows)])
    try:
        found = delimited.read(Source("any.csv", text.encode()))
    except SpeedlogError as error:
        assert str(error)
    else:
        assert len(found.samples) > 0


# ------------------------------------------------------------------------------------------------- real logs


@pytest.mark.real
@needs_shared
def test_the_real_drive_comes_out_exactly() -> None:
    """The same numbers by plain Python: float() of each cell."""
    folder = SHARED / "real" / "drive"
    for name in ("gnss.csv", "wheels.csv"):
        data = (folder / name).read_bytes()
        found = delimited.read(Source(name, data))
        rows = [line.split(",") for line in data.decode().splitlines()[1:]]
        assert (len(found.samples), found.rejected, found.warnings) == (len(rows), 0, ())
        if name == "gnss.csv":
            assert list(found.samples.index) == [pd.Timestamp(row[0]) for row in rows]
            for at, column in enumerate(["lat_deg", "lon_deg", "alt_m", "speed_mps", "track_deg"], 1):
                np.testing.assert_allclose(
                    found.samples[column], [float(row[at]) for row in rows], rtol=1e-15
                )
        else:
            assert [time.value for time in found.samples.index] == [
                round(float(row[0]) * 1e4) * 100_000 for row in rows
            ]
            np.testing.assert_allclose(found.samples["rpm"], [float(row[1]) for row in rows], rtol=1e-15)
            assert found.clock is Clock.ELAPSED


@pytest.mark.real
@needs_shared
def test_nasty_tables_give_what_their_expectations_say() -> None:
    cases = json.loads((SHARED / "edge" / "edge.json").read_text(encoding="utf-8"))
    for name, wanted in cases.items():
        if not name.endswith(".csv") or name == "named.csv":  # that one is NMEA
            continue
        data = (SHARED / "edge" / "files" / name).read_bytes()
        if wanted["outcome"] == "refuse":
            with pytest.raises(SpeedlogError):
                delimited.read(Source(name, data))
        elif "valid" in wanted:
            found = delimited.read(Source(name, data))
            low, high = wanted["valid"]
            assert low <= int(found.valid.sum()) <= high, name
            assert found.samples["speed_mps"].max() == pytest.approx(wanted["max_speed_mps"][0], abs=0.02), (
                name
            )
            said = " ".join(found.warnings).lower()
            assert all(
                any(word in said for word in wanted["must_warn"]) for _ in [0] if "must_warn" in wanted
            ), name


@pytest.mark.real
@needs_shared
def test_raw_measurements_without_positions_are_refused() -> None:
    path = SHARED / "real" / "csv" / "gmt__raw.csv"
    with pytest.raises(SpeedlogError, match="holds no positions"):
        delimited.read(Source(path.name, path.read_bytes()))


def test_a_header_longer_than_every_row() -> None:
    rows = "\n".join(f"{at / 10},{at * 100}" for at in range(9))
    found = load(f"Time (s),RPM,Current (A),Voltage (V)\n{rows}\n")
    assert found.samples["rpm"].iloc[-1] == 800.0 and found.samples["current_a"].isna().all()


def test_a_form_feed_is_no_blank_between_two_cells() -> None:
    """Python's own split takes it for one and pandas doesn't: found by fuzzing, told apart by hand."""
    rows = ["time_s speed_mph note", *(f"{k / 10:.1f} {10 + k}.5 a\x0cb" for k in range(12))]
    found = delimited.read(Source("a.txt", ("\n".join(rows) + "\n").encode()), ReadOptions())
    assert found.samples["speed_mps"].tolist() == pytest.approx([(10.5 + k) * 0.44704 for k in range(12)])
