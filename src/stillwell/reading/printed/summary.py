"""What came in, what was returned and why, what an audit found: lines for a terminal and pages for a flow."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, Protocol, TypeVar

import pandas as pd

from stillwell.archive.archive import Archive
from stillwell.number_words import counted
from stillwell.reading.printed.commit_contents import (
    check_rows,
    check_sentences,
    earlier_rows,
    earlier_sentences,
    taken_rows,
    taken_sentences,
)
from stillwell.reading.printed.rendering import rendered_line
from stillwell.reading.printed.show import CAUTION, GRAVITY
from stillwell.reading.printed.text import as_table, significant, time_text
from stillwell.shared_types import AuditReport

T = TypeVar("T")


class TakenLike(Protocol):
    """What a batch of deposits came to."""

    @property
    def entry(self) -> Any:
        """Entry of the commit, or None."""

    @property
    def prepared(self) -> Any:
        """Rows of the commit, or None."""

    @property
    def deposits(self) -> Any:
        """Deposits of the commit."""

    @property
    def known(self) -> Any:
        """Deposits already sealed."""

    @property
    def pages(self) -> Any:
        """Pages that say what was returned of those when they were taken, by digest."""

    @property
    def rendered(self) -> Any:
        """What was rendered after the commit."""


def batches(items: Sequence[T], size: int) -> Iterator[list[T]]:
    """Cut a sequence into lists of at most ``size``."""
    return (list(items[i : i + size]) for i in range(0, len(items), size))


def taken_lines(taken: TakenLike) -> str:
    """Write one line per gauging handed in, each followed by its findings."""
    if taken.prepared is None:
        return ""
    rows = taken.prepared.tables.get("gaugings")
    results = {} if rows is None else {(r.gauging_id, r.revision): r for r in rows.itertuples()}
    findings = taken.prepared.tables.get("findings")
    grouped = [] if findings is None else findings.groupby(["gauging_id", "revision"])
    lines_by_revision = {key: list(_finding_lines(rows)) for key, rows in grouped}
    lines = []
    for outcome in taken.prepared.outcomes.itertuples():
        key = (outcome.gauging_id, outcome.revision)
        if outcome.action in ("new", "revision"):
            lines.append(_taken_line(results[key], outcome.action))
            lines += lines_by_revision.get(key, [])
        elif outcome.action == "unchanged":
            lines.append(f"unchanged  {outcome.gauging_id}  stands so already")
    return "".join(f"{line}\n" for line in lines)


def _finding_lines(findings: pd.DataFrame) -> Iterator[str]:
    """Write the findings of a gauging, the most severe first, those of one code on one line."""
    ordered = findings.sort_values("severity", key=lambda s: s.map(GRAVITY), kind="stable")
    for code, rows in ordered.groupby("code", sort=False):
        first, more = rows.iloc[0], len(rows) - 1
        also = f" (and {more} more like it)" if more else ""
        yield f"    {first['severity']:<8} {code}: {first['message']}{also}"


def _taken_line(row: Any, action: str) -> str:
    discharge = "no discharge" if pd.isna(row.discharge_m3_s) else f"{significant(row.discharge_m3_s)} m3/s"
    made = f"revision {row.revision}" if action == "revision" else "taken"
    count = "" if pd.isna(row.verticals) or not row.verticals else f"  {row.verticals} verticals"
    candidate = "  candidate: an approved revision stands" if row.candidate else ""
    return f"{made:<10} {row.gauging_id}  {discharge}{count}{candidate}"


def taken_words(taken: TakenLike) -> str:
    """Say what was returned and why, what was noted, and what became of the batch."""
    lines = []
    for deposit in taken.known:
        lines.append(f"already sealed, nothing changes: {deposit.name}")
        pages = taken.pages.get(deposit.digest, ())
        lines += [f"    something of it was returned then: {page} says what and why" for page in pages]
    if taken.prepared is None:
        return "".join(f"{line}\n" for line in [*lines, "nothing new; the archive is unchanged"])
    names = {deposit.digest: deposit.name for deposit in taken.deposits}
    for p in taken.prepared.problems.itertuples():
        place = ", ".join(_place(p, names.get(p.deposit, p.deposit)))
        lines += [f"returned: {place}", f"    expected {p.expected}; found {p.found}; {p.consequence}"]
    for note in taken.prepared.notes.itertuples():
        lines.append(f"note: {_path(names.get(note.deposit, note.deposit), note.file)}: {note.note}")
    if taken.entry is None:
        return "".join(f"{line}\n" for line in [*lines, "nothing was written; the archive is unchanged"])
    actions = taken.prepared.outcomes["action"].value_counts()
    counts = ", ".join(f"{count} {word}" for word, count in sorted(actions.items()))
    lines += taken_sentences(rows := taken_rows(taken.prepared.tables))
    lines += check_sentences(check_rows(taken.prepared.tables))
    lines += earlier_sentences(earlier_rows(taken.prepared.tables, taken.prepared.outcomes))
    gaugings = f"gaugings: {counts}" if counts else "no gaugings" if rows else "no new rows"
    lines.append(f"commit {taken.entry.number}: {counted(len(taken.entry.deposits), 'deposit')} sealed; {gaugings}")
    return "".join(f"{line}\n" for line in lines) + rendered_line([taken.rendered])


def _path(deposit: str, file: str) -> str:
    """Write where a file lies; a sheet of a workbook carries the workbook's name already."""
    return file if file == deposit or file.startswith(f"{deposit}:") else f"{deposit}/{file}"


def _place(problem: Any, deposit: str) -> Iterator[str]:
    yield _path(deposit, problem.file)
    for name in ("line", "column", "gauging"):
        value = getattr(problem, name)
        if pd.notna(value) and value != "":
            yield f"{name} {int(value) if name == 'line' else value}"


def summary_text(batches_taken: Sequence[TakenLike]) -> str:
    """Write a whole run for a terminal: the gaugings in a table, then what was returned."""
    rows = gauging_rows(batches_taken)
    table = as_table(rows, list(rows[0])) if rows else "no gauging was taken"
    words = "".join(taken_words(taken) for taken in batches_taken)
    return f"{table}\n\n{words}\n{CAUTION}\n"


def gauging_rows(batches_taken: Sequence[TakenLike]) -> list[dict[str, Any]]:
    """List the gaugings taken with discharge and number of findings."""
    rows = []
    for taken in batches_taken:
        if taken.prepared is None or "gaugings" not in taken.prepared.tables:
            continue
        findings = taken.prepared.tables.get("findings", pd.DataFrame(columns=["gauging_id", "revision", "severity"]))
        counts = findings.groupby(["gauging_id", "revision", "severity"]).size().to_dict()
        for g in taken.prepared.tables["gaugings"].itertuples():
            by_severity = {s: counts.get((g.gauging_id, g.revision, s), 0) for s in ("unusable", "suspect", "note")}
            rows.append(
                {
                    "gauging": g.gauging_id,
                    "revision": int(g.revision),
                    "party": "" if pd.isna(g.party) else g.party,
                    "discharge m3/s": None if pd.isna(g.discharge_m3_s) else g.discharge_m3_s,
                    "gauge height m": None if pd.isna(g.gauge_height_m) else g.gauge_height_m,
                    "verticals": None if pd.isna(g.verticals) else int(g.verticals),
                    **{name: int(count) for name, count in by_severity.items()},
                }
            )
    return rows


def summary_markdown(batches_taken: Sequence[TakenLike]) -> str:
    """Write a whole run as a page for a flow's artifact."""
    rows = gauging_rows(batches_taken)
    words = "".join(taken_words(taken) for taken in batches_taken)
    return f"# What came in\n\n{_markdown(rows)}\n\n# What was said\n\n```\n{words}```\n"


def findings_markdown(root: Path) -> str:
    """Count the findings that stand in an archive, by code and severity, as a page."""
    findings = Archive(root).standing("findings")
    counts = findings.groupby(["severity", "code"]).agg(findings=("code", "size"), gaugings=("gauging_id", "nunique"))
    rows = [
        {"severity": s, "code": c, "findings": f, "gaugings": g}
        for (s, c), f, g in zip(counts.index, counts["findings"], counts["gaugings"], strict=True)
    ]
    return f"# Findings that stand\n\n{_markdown(rows)}\n"


def _markdown(rows: Sequence[dict[str, Any]]) -> str:
    if not rows:
        return "none"
    heads = list(rows[0])
    lines = ["| " + " | ".join(heads) + " |", "|" + "---|" * len(heads)]
    for row in rows:
        cells = (significant(v) if isinstance(v, float) else ("" if v is None else str(v)) for v in row.values())
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def audit_text(report: AuditReport) -> str:
    """Write an audit for a person: what was looked at, then every fault with its place."""
    lines = [f"audit of {report.archive} at {time_text(report.audited_at)}"]
    lines += [f"  {count:>8} {what}" for what, count in report.counts.items()]
    if report.rounded:
        same = f"computed again {'is' if report.rounded == 1 else 'are'} the same as stored only to rounding"
        lines.append(f"{counted(report.rounded, 'number')} {same} (another processor or library)")
    lines += [f"note: {note}" for note in report.remarks]
    lines += [f"fault ({fault.kind}): {fault.path}: {fault.sentence}" for fault in report.faults]
    lines.append("everything is as it was written" if not report.faults else counted(len(report.faults), "fault"))
    return "".join(f"{line}\n" for line in lines)


def audit_json(report: AuditReport) -> str:
    """Write an audit as JSON."""
    return json.dumps(asdict(report) | {"audited_at": time_text(report.audited_at)}, indent=1) + "\n"


def audit_markdown(report: AuditReport) -> str:
    """Write an audit as a page for a flow's artifact."""
    return f"# Audit\n\n```\n{audit_text(report)}```\n"
