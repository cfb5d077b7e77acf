"""Each finding code of gaugings and ratings has a bad example that it finds and a good one that it leaves alone."""

from __future__ import annotations

import csv
import shutil
from collections import defaultdict
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pandas as pd
import pytest

from stillwell.archive.archive import Archive
from stillwell.archive.revisions.snapshot import History
from stillwell.assessment.check_table import CHECKS
from stillwell.assessment.stage_findings import PASSED_OVER
from stillwell.intake.readers.deposit import read_deposit
from stillwell.pipeline.derive import derive
from stillwell.pipeline.ingest import ingest, understand
from stillwell.prepare import CommitContext, prepare
from stillwell.reading.policy import default_policy_text, policy_in_force
from stillwell.schemas import ARCHIVE_TABLES
from stillwell.shared_types import Deposit
from tests.making import frame

HERE = Path(__file__).parent
NOW = datetime(2026, 1, 1, tzinfo=UTC)
NOTHING = History({name: frame(name, [], kept=True) for name in ARCHIVE_TABLES}).before(NOW)
"""An archive in which nothing stands yet."""


CODES = [check.code for check in CHECKS]
OWN = ("site", "instrument", "party", "check")
"""Columns whose codes tell one example from another where all are handed in together."""
ACROSS_SITES = "sheet-copied"
"""Looks at the sheets of all sites, so that its examples are handed in alone."""


def _own_codes(folder: Path, example: Path, number: int) -> Path:
    """Copy an example with sites, meters and parties that no other example has."""
    folder.mkdir(parents=True)
    if (example / "policy.toml").exists():
        shutil.copy(example / "policy.toml", folder)
    for path in example.glob("*.csv"):
        lines = list(csv.reader(path.read_text(encoding="utf-8").splitlines()))
        at = [i for i, name in enumerate(lines[0]) if name in OWN]
        for line in lines[1:]:
            for i in at:
                line[i] = line[i] and f"E{number:03d}-{line[i]}"
        with (folder / path.name).open("w", encoding="utf-8", newline="") as file:
            csv.writer(file).writerows(lines)
    return folder


@pytest.fixture(scope="module")
def found(tmp_path_factory) -> dict[tuple[str, str], frozenset[str]]:
    """Hand in the examples of one policy together, each a deposit of its own, and give the codes found in each."""
    tmp, together = tmp_path_factory.mktemp("examples"), defaultdict(list)
    examples = [(code, kind) for code in CODES for kind in ("bad", "good")]
    for number, (code, kind) in enumerate(examples):
        folder = _own_codes(tmp / f"{code}-{kind}", HERE / code / kind, number)
        policy = folder / "policy.toml"
        alone = (code, kind) if code == ACROSS_SITES else ()
        together[policy.read_text(encoding="utf-8") if policy.exists() else "", alone].append(read_deposit(folder))
    findings = pd.concat([_findings(deposits) for deposits in together.values()])
    of = findings["site"].str[1:4].astype(int)
    return {example: frozenset(findings.loc[of == number, "code"]) for number, example in enumerate(examples)}


def _findings(deposits: list[Deposit]) -> pd.DataFrame:
    """Understand deposits and give the findings that a commit of them would record."""
    understood = understand(deposits)
    assert understood.problems.empty, understood.problems.to_dict("records")
    policy = policy_in_force(NOTHING, understood, default_policy_text())
    findings = prepare(NOTHING, deposits, understood, CommitContext(1, NOW, "T1", "0", *policy)).tables["findings"]
    assert findings["message"].str.len().min() > 20
    assert findings["source"].str.len().min() > 10
    return findings


@pytest.mark.parametrize("code", CODES)
def test_the_bad_example_is_found(code, found):
    """The check finds what is wrong in its bad example."""
    assert code in found[code, "bad"]


@pytest.mark.parametrize("code", CODES)
def test_the_good_example_is_left_alone(code, found):
    """The check finds nothing in its good example, which lies as near to the limit as it may."""
    assert code not in found[code, "good"]


@pytest.mark.parametrize(("kind", "codes"), [("bad", [PASSED_OVER]), ("good", [])])
def test_ratings_valid_from_one_moment_are_found(tmp_path, kind, codes):
    """Two ratings of a site with one valid_from are a finding of the derived record; a second apart they are none."""
    moments = iter(NOW + timedelta(seconds=i) for i in range(20))
    ingest(tmp_path / "archive", [HERE / PASSED_OVER / kind], by="T1", now=lambda: next(moments))
    derive(tmp_path / "archive", by="T1", now=lambda: next(moments))
    rows = Archive(tmp_path / "archive").standing("series_doubts")
    assert rows.loc[rows["code"].str.startswith("ratings"), "code"].tolist() == codes
    if codes:
        assert "EX-B holds" in rows.set_index("code").loc[PASSED_OVER, "message"]
