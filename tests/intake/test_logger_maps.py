"""Logger files through their maps, each against an independent reading of the same bytes with pandas.

Sources and licences stand beside the files in tests/data. Heights of sensors that the files do not give are invented.
"""

from __future__ import annotations

import gzip
import io
from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from stillwell.fingerprint import folder_digest
from stillwell.intake.interpret import interpret
from stillwell.intake.map_preview import preview
from stillwell.intake.maps.map_file import map_from
from stillwell.intake.readers.deposit import read_deposit
from stillwell.pipeline import ingest
from stillwell.shared_types import Deposit, DepositFile, Understood

TESTS = Path(__file__).resolve().parents[1]
MAPS = TESTS / "intake" / "logger_maps"
SAMPLE = TESTS.parent / "sample_archive" / "maps" / "loggers"
HOURLY = TESTS / "data" / "fvg_n105" / "fvg_N105_stage_hourly_2003_2023.csv.gz"
RANGES = TESTS / "data" / "rangefinder_logger" / "stage_rangefinder_logger_5min_2021.txt.gz"
WEIR = TESTS / "data" / "weir_vt" / "weir_pressure_gauge_height_FCR_VT_2019_2021.csv"
FEET = TESTS / "data" / "tanana" / "tanana_gage_height_20100810_instantaneous.csv"


def _bytes(path: Path) -> bytes:
    data = path.read_bytes()
    return gzip.decompress(data) if path.suffix == ".gz" else data


def _taken(name: str, path: Path) -> Understood:
    text = (MAPS / f"{name}.toml").read_text(encoding="utf-8")
    file = DepositFile(path.name.removesuffix(".gz"), _bytes(path))
    deposit = Deposit("logger", "folder", folder_digest([(file.path, file.data)]), (file,))
    made = interpret([deposit], None, map_from(text))
    assert made.problems.empty, made.problems.head().to_dict("records")
    return made


def _utc(times: pd.Series) -> pd.Series:
    return times.dt.as_unit("us").rename("time").reset_index(drop=True)


def _notes(made: Understood) -> str:
    return "\n".join(made.notes["note"])


def test_an_hourly_file_of_twenty_years():
    """Of 176,034 hours 1,444 hold no value: they are noted and counted, the rest is what pandas reads."""
    stage = _taken("hourly_stage", HOURLY).tables["stage"]
    known = pd.read_csv(HOURLY, parse_dates=["datetime"])
    assert (len(known), known["H"].isna().sum()) == (176_034, 1_444)
    left = known.dropna()
    pd.testing.assert_series_equal(_utc(left["datetime"]), stage["time"])
    np.testing.assert_array_equal(left["H"], stage["stage_m"])
    np.testing.assert_array_equal(left.index + 2, stage["row_line"])
    assert stage["raw_value"].isna().all()


def test_hours_without_a_value_are_counted_in_a_note():
    """The note says how many rows, under which word and between which lines."""
    known = pd.read_csv(HOURLY)
    lost = known.index[known["H"].isna()] + 2
    expected = f"rows not taken, with no value in 'H': 1,444 ('NA' 1,444), lines {lost.min()} to {lost.max()}"
    assert expected in _notes(_taken("hourly_stage", HOURLY))


def test_a_range_finder_under_a_line_of_junk():
    """15,780 ranges in cm become 5.237 m less the range, exactly on the digits, and are kept as written."""
    stage = _taken("range_down", RANGES).tables["stage"]
    text = gzip.decompress(RANGES.read_bytes()).decode("ascii")
    known = pd.read_csv(io.StringIO(text), skiprows=1, index_col=False, skipinitialspace=True, dtype=str)
    assert len(stage) == len(known) == 15_780
    times = pd.to_datetime(known["Time [UTC]"], utc=True, format="%Y/%m/%d %H:%M:%S")
    pd.testing.assert_series_equal(_utc(times), stage["time"])
    exact = [float(Fraction("5.237") - Fraction(cm) / 100) for cm in known["Range [cm]"]]
    np.testing.assert_array_equal(exact, stage["stage_m"])
    assert known["Range [cm]"].tolist() == stage["raw_value"].tolist()
    assert set(stage["raw_unit"]) == {"cm"}


def test_pressure_at_a_weir_and_the_staff_beside_it():
    """36 pressures become stage by p / (rho g), and 34 readings of the staff from the same file are readings."""
    made = _taken("weir_pressure", WEIR)
    known = pd.read_csv(WEIR)
    times = pd.to_datetime(known["DateTime"], format="%m/%d/%Y %H:%M").dt.tz_localize("-05:00").dt.tz_convert("UTC")
    stage = made.tables["stage"]
    assert len(stage) == 36
    pd.testing.assert_series_equal(_utc(times), stage["time"])
    pascals = known["VT_Pressure_psia"] * 0.45359237 * 9.80665 / 0.0254**2
    np.testing.assert_allclose(stage["stage_m"], -0.056633 + pascals / (999.1 * 9.797), rtol=0, atol=1e-12)
    assert pd.read_csv(WEIR, dtype=str)["VT_Pressure_psia"].tolist() == stage["raw_value"].tolist()
    topped = known["Notes"] == "Weir_topped"
    assert (topped.sum(), (stage["mark"] == "overtopped").sum()) == (3, 3)
    assert stage["mark"].isna().sum() == known["Notes"].isna().sum()
    staff, read = made.tables["gauge_heights"], known.dropna(subset="GageHeight_cm")
    assert len(staff) == len(read) == 34
    exact = [float(Fraction(str(cm)) / 100) for cm in read["GageHeight_cm"]]
    np.testing.assert_array_equal(exact, staff["gauge_height_m"])
    assert "rows not taken, with no value in 'GageHeight_cm': 2 ('' 2), lines 22 to 23" in _notes(made)


def test_a_published_line_at_a_weir():
    """H = 70.640 p - 5.6633 in cm, as published with the data, is computed exactly and rounded once to metres."""
    stage = _taken("weir_line", WEIR).tables["stage"]
    written = pd.read_csv(WEIR, dtype=str)["VT_Pressure_psia"]
    exact = [float((Fraction("70.640") * Fraction(psi) - Fraction("5.6633")) / 100) for psi in written]
    np.testing.assert_array_equal(exact, stage["stage_m"])
    assert set(stage["raw_unit"]) == {"psi"}


def test_stage_in_feet():
    """96 stages in feet are metres at 0.3048 exactly and keep their feet; the column of times has no name."""
    stage = _taken("stage_in_feet", FEET).tables["stage"]
    known = pd.read_csv(FEET, index_col=0, dtype=str).iloc[:, 0]
    assert len(stage) == len(known) == 96
    pd.testing.assert_series_equal(_utc(pd.Series(pd.to_datetime(known.index, utc=True))), stage["time"])
    np.testing.assert_array_equal([float(Fraction(ft) * Fraction("0.3048")) for ft in known], stage["stage_m"])
    assert known.tolist() == stage["raw_value"].tolist()
    assert set(stage["raw_unit"]) == {"ft"}


def _sample() -> tuple[Understood, pd.DataFrame]:
    deposit = read_deposit(SAMPLE / "deposit")
    made = interpret([deposit], None, map_from((SAMPLE / "map.toml").read_text(encoding="utf-8")))
    return made, made.tables["stage"].astype({"time": "str"})


def test_a_pressure_logger_less_its_barometer():
    """Noon is 12 PM, 25 is 2025, and 1 kPa more than the air is 1000 / (999.7 9.806) m of water above the sensor."""
    made, stage = _sample()
    mine = stage[stage["sensor"] == "pressure"]
    times = ["2025-06-03 10:30:00+00:00", "2025-06-03 11:00:00+00:00", "2025-06-03 12:00:00+00:00"]
    assert mine["time"].tolist() == times
    above = np.array([1000, 1980.4, 2960.7]) / (999.7 * 9.806)
    np.testing.assert_allclose(0.12 + above, mine["stage_m"], rtol=0, atol=1e-9)
    assert mine["raw_value"].tolist() == ["101,125", "102,1054", "103,0857"]
    assert set(mine["raw_unit"]) == {"kPa"}
    assert mine["mark"].tolist()[2] == "ice"
    assert mine["row_line"].tolist() == [5, 6, 9]
    said = _notes(made)
    assert "rows not taken, with no value in 'Press': 1 ('-9999' 1), lines 8 to 8" in said
    assert "rows not taken, without a pressure of the air at their time: 1, lines 10 to 10" in said
    assert "lines passed over that begin with '#': 1" in said


def test_days_of_a_spreadsheet_in_a_zone():
    """45811.4375 days after 1899-12-30 is 2025-06-03 10:30; two times in the hour that came twice are returned."""
    made, stage = _sample()
    mine = stage[stage["sensor"] == "range"]
    assert mine["time"].tolist() == [
        "2025-06-03 09:15:00+00:00",
        "2025-06-03 09:30:00+00:00",
        "2025-10-26 03:00:00+00:00",
    ]
    assert mine["stage_m"].tolist() == [1.0, 1.02, 1.115]
    assert made.problems["line"].tolist() == [4, 5]
    both = "was both 2025-10-26T01:30+01:00 and 2025-10-26T01:30+00:00"
    assert made.problems["expected"].iloc[0].endswith(both)


def test_a_dry_run_shows_what_a_map_makes():
    """The first rows as understood show stage in m and UTC with the figure as written, before anything is taken."""
    rows, understood = ingest.dry_run([SAMPLE / "deposit"], SAMPLE / "map.toml")
    (name,) = [name for name in rows if "stage" in name]
    assert {"time", "stage_m", "raw_value", "raw_unit", "mark"} <= set(rows[name])
    assert len(understood.problems) == 2
    shown = preview(read_deposit(SAMPLE / "deposit"), map_from((SAMPLE / "map.toml").read_text("utf-8")), 2)
    assert len(shown["stage"]) == 2


@pytest.mark.parametrize("path", sorted(MAPS.glob("*.toml")), ids=lambda path: path.stem)
def test_every_worked_map_says_what_it_is(path):
    """A worked map can be read by itself."""
    assert map_from(path.read_text(encoding="utf-8")).files
