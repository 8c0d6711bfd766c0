"""What goes out: originals bit for bit, samples as they were read, nothing a spreadsheet would run."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from pathlib import Path

import gpxpy
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from speedlog.course.coursefile import Course
from speedlog.course.geometry import along_across
from speedlog.errors import SpeedlogError
from speedlog.importers import read
from speedlog.logbook import results, rows, samples_out
from speedlog.logbook.export import Wanted, export, passes_table
from speedlog.logbook.samples_out import as_csv, as_gpx, as_parquet, cell_text, samples_of
from speedlog.logbook.store import Logbook
from tests.logbook.kept import kept
from tests.logbook.test_subtitles import parse


@pytest.fixture(scope="module")
def source(kept_file: Path):
    with Logbook.open(kept_file, read_only=True) as found:
        yield found


def table(data: bytes) -> pd.DataFrame:
    """Cells as Python reads them, to the last digit: text where it is none of a number, NaN where empty."""

    def value(cell: str) -> float | str:
        try:
            return float(cell or "nan")
        except ValueError:
            return cell

    lines = csv.DictReader(io.StringIO(data.decode("utf-8")))
    return pd.DataFrame([{key: value(cell) for key, cell in line.items()} for line in lines])


def test_originals_bit_for_bit_and_each_once(source: Logbook, day_folder: Path) -> None:
    every = rows.passes(source)
    files = export(source, [*every, every[0]], Wanted(originals=True))
    names = ["p01_front.nmea", "p01_rear.csv", "p02_front.nmea", "p02_controller.csv", "p03_rear.csv"]
    assert sorted(files) == sorted([*names, "Oldfen runway.toml"])
    for name in names:
        assert files[name] == (day_folder / name).read_bytes()
    assert files["Oldfen runway.toml"] == (day_folder / "course.toml").read_bytes()


def test_samples_are_those_that_the_importer_reads(source: Logbook, day_folder: Path) -> None:
    row = rows.pass_row(source, 1)
    front = samples_of(source, 1, whole=True)[0]
    written = table(as_csv(front))
    wanted = read(day_folder / "p01_front.nmea").samples
    assert list(pd.to_datetime(written["time_utc"], format="ISO8601")) == list(wanted.index)
    for name in ("lat_deg", "lon_deg", "speed_mps", "satellites", "hdop"):
        np.testing.assert_array_equal(written[name].to_numpy(float), wanted[name].to_numpy(float))
    assert list(written["fix"].dropna()) == list(wanted["fix"].dropna().astype(str))
    course = Course.load(day_folder / "course.toml")
    along, _ = along_across(course.line, wanted["lat_deg"], wanted["lon_deg"])
    np.testing.assert_array_equal(written["along_m"].to_numpy(float), along)
    drive = samples_of(source, 1)[0].table
    assert row.start_utc is not None and row.end_utc is not None
    assert drive.index[0] >= pd.Timestamp(row.start_utc) and drive.index[-1] <= pd.Timestamp(row.end_utc)
    assert 0 < len(drive) < len(wanted)


def test_a_controllers_own_clock_is_brought_to_utc(source: Logbook) -> None:
    front, controller = samples_of(source, 2)
    assert controller.utc and controller.table["rpm"].notna().any()
    assert abs((controller.table.index[0] - front.table.index[0]).total_seconds()) < 5


def test_gpx_comes_back_by_our_reader_and_by_another(source: Logbook, tmp_path: Path) -> None:
    samples = samples_of(source, 1)[0]
    data = as_gpx(samples, 'Pass 1 <"&> in the sun')
    assert data is not None
    (tmp_path / "a.gpx").write_bytes(data)
    again = read(tmp_path / "a.gpx").samples
    valid = samples.table[samples_out.valid_positions(samples.table)]
    assert list(again.index) == list(valid.index)
    # written to 1e-9 degrees (0.1 mm), 1 µm/s and 1e-4 degrees
    for name, digits in (("lat_deg", 1e-9), ("lon_deg", 1e-9), ("speed_mps", 1e-6), ("track_deg", 1e-4)):
        np.testing.assert_allclose(again[name], valid[name], atol=digits, rtol=0)
    points = [p for t in gpxpy.parse(data.decode()).tracks for s in t.segments for p in s.points]
    assert len(points) == len(valid)
    assert points[0].latitude == pytest.approx(valid["lat_deg"].iloc[0], abs=1e-9)
    assert points[0].time.timestamp() == pytest.approx(valid.index[0].timestamp(), abs=1e-3)


def test_no_gpx_without_positions_or_without_utc(source: Logbook) -> None:
    controller = samples_of(source, 2)[1]
    assert as_gpx(controller, "x") is None
    assert as_gpx(replace(samples_of(source, 1)[0], utc=False), "x") is None


def test_parquet_holds_the_same(source: Logbook) -> None:
    pytest.importorskip("pyarrow", reason="the extra parquet is not installed")
    samples = samples_of(source, 1)[0]
    again = pd.read_parquet(io.BytesIO(as_parquet(samples)))
    assert list(again["time_utc"]) == list(samples.table.index)
    np.testing.assert_array_equal(again["speed_mps"], samples.table["speed_mps"])


def test_without_the_library_parquet_says_what_to_install(
    source: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    def missing(name: str) -> None:
        raise ImportError(name)

    monkeypatch.setattr(samples_out, "import_module", missing)
    with pytest.raises(SpeedlogError, match="needs the Arrow library"):
        as_parquet(samples_of(source, 1)[0])


def test_the_estimate_and_the_subtitles_of_a_pass(source: Logbook) -> None:
    files = export(source, [rows.pass_row(source, 1)], Wanted(csv=True, subtitles=True, film_start="2 s"))
    assert sorted(files) == [
        "pass-1 estimate.csv",
        "pass-1 p01_front.csv",
        "pass-1 p01_rear.csv",
        "pass-1.vtt",
    ]
    estimate = table(files["pass-1 estimate.csv"])
    review = rows.review_json(source, 1)
    assert review is not None
    peak = review["passes"][0]["peak"]["estimate_mps"]
    assert estimate["speed_mps"].max() == pytest.approx(peak, abs=0.05)
    assert (estimate["speed_low_mps"] <= estimate["speed_mps"]).all()
    cues = parse(files["pass-1.vtt"].decode("utf-8"))
    assert cues[0][0] == 2000 and "in the trap" in [line for cue in cues for line in cue[2]]
    assert cues[-1][2][1] == "trap: 159.9 mph by the logs, 160.0 mph by the timekeeper"
    fastest = max(float(cue[2][0].split()[0]) for cue in cues)
    assert fastest == pytest.approx(peak / 0.44704, abs=0.2)


def test_a_pass_without_a_review_has_its_samples_and_no_subtitles(
    source: Logbook, monkeypatch: pytest.MonkeyPatch
) -> None:
    def none(book: Logbook, pass_id: int) -> None:
        raise SpeedlogError("no drive at speed was found in it")

    monkeypatch.setattr(results, "review_kept", none)
    row = rows.pass_row(source, 3)
    assert list(export(source, [row], Wanted(csv=True, whole=True))) == ["pass-3 p03_rear.csv"]
    with pytest.raises(SpeedlogError, match="no drive at speed"):
        export(source, [row], Wanted(subtitles=True))
    with pytest.raises(SpeedlogError, match="nothing to export is named"):
        export(source, [row], Wanted())


def test_the_table_of_passes_has_every_value_and_no_formula() -> None:
    evil = '=HYPERLINK("http://x","y")'
    one = kept(1, trap=80.0, trap_text="80 m/s", setup={"tyre": "@SUM(A1)", "gear_ratio": 1.0}, note=evil)
    two = kept(
        2, session_id=1, weather={"wind": "+3 m/s"}, measured={"motor_temp_after": "\t61 °C"}, car="-1+1"
    )
    lines = list(csv.DictReader(io.StringIO(passes_table([one, two]).decode("utf-8"))))
    assert [line["note"] for line in lines] == [f"'{evil}", ""]
    assert [line["setup_tyre"] for line in lines] == ["'@SUM(A1)", ""]
    assert (lines[0]["setup_gear_ratio"], lines[0]["official_mps"], lines[0]["trap"]) == (
        "1.0",
        "80.0",
        "80 m/s",
    )
    assert (lines[1]["weather_wind"], lines[1]["measured_motor_temp_after"]) == ("'+3 m/s", "'\t61 °C")
    assert lines[1]["car"] == "'-1+1" and lines[1]["official_mps"] == ""


@given(st.text())
def test_no_text_begins_as_a_formula(text: str) -> None:
    """OWASP, CSV Injection: =, +, -, @, tab, carriage return (and line feed) at the start of a cell."""
    assert not cell_text(text).startswith(("=", "+", "-", "@", "\t", "\r", "\n"))
    assert cell_text(text).endswith(text)


def test_numbers_stay_numbers() -> None:
    assert [cell_text(x) for x in (-1.5, 0.1, np.float64(-2.0), 3, None, float("nan"))] == [
        "-1.5", "0.1", "-2.0", "3", "", "",
    ]  # fmt: skip
