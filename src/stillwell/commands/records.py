"""Commands that make and read records: ratings, shifts, derived discharge, and where to measure next."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NamedTuple

import typer

from stillwell.commands import completion
from stillwell.commands.next_steps import HERE, at
from stillwell.commands.options import (
    WAIT_S,
    ArchiveOption,
    AsOfOption,
    ByOption,
    ClockOption,
    Format,
    FormatOption,
    LaterOption,
    OutputOption,
    Told,
    ToldOption,
    WaitOption,
    clock,
    in_words,
    moment_of,
    say_next,
    span_from,
    tell,
    write,
)
from stillwell.commands.suggestions import site_hint
from stillwell.number_words import numbered

if TYPE_CHECKING:
    from stillwell.pipeline.render import Rendered
    from stillwell.reading.select.spans import Span

SiteArgument = Annotated[str, typer.Argument(metavar="SITE", help="Code of the site.", autocompletion=completion.sites)]
_CONTROL = (
    "What is known of a control before fitting, one option per segment, lowest first: KIND:ZERO:SD, or "
    "KIND:ZERO:SD:FOOT:SD above another. KIND is rectangular section, parabolic section, triangular section or "
    "channel; ZERO is the stage of zero flow and FOOT the stage "
    "where the segment begins, each with its standard deviation SD, in m."
)
SinceOption = Annotated[
    str | None, typer.Option("--from", help="From this time or date, as in 2025-10-01T00:00Z or 2025-10-01.")
]
UntilOption = Annotated[str | None, typer.Option("--to", help="Until this time or date, not included.")]


_RATE = (
    "`stillwell rate SITE{at}` fits a rating and says which gaugings take part; "
    "`stillwell list --site SITE{at}` lists them; "
    "`stillwell review ID --decision included --by CODE --reason WHY{at}` takes one in"
)
_DERIVE = (
    "`stillwell rate SITE --adopt NAME --valid-from TIME --by CODE --reason WHY{at}` gives a site its rating, "
    "`stillwell ingest LOGGER_FILES{at}` its stage; then `stillwell derive SITE{at}`"
)


def rate(
    site: SiteArgument,
    archive: ArchiveOption = HERE,
    since: SinceOption = None,
    until: UntilOption = None,
    segments: Annotated[
        int | None,
        typer.Option(
            "--segments", min=1, max=4, help="Number of segments, instead of the number chosen from the gaugings."
        ),
    ] = None,
    zero: Annotated[float | None, typer.Option("--zero-flow", help="Stage of zero flow of all segments, m.")] = None,
    control: Annotated[
        list[str] | None,
        typer.Option(
            "--control",
            help=_CONTROL,
        ),
    ] = None,
    propose: Annotated[
        bool, typer.Option("--propose", help="Propose shifts of the rating in force instead, and say why.")
    ] = False,
    way: Annotated[
        str,
        typer.Option("--way", help="Shifts by gauging, by time or by stage.", autocompletion=completion.words("way")),
    ] = "by time",
    adopt: Annotated[str | None, typer.Option("--adopt", help="Adopt what is shown; name of the new rating.")] = None,
    valid_from: Annotated[
        str | None,
        typer.Option(
            "--valid-from",
            help="From when the rating holds, with its offset, as in 2026-01-01T00:00+01:00 or 2026-01-01T00:00Z.",
        ),
    ] = None,
    by: ByOption = "unnamed",
    reason: Annotated[str, typer.Option("--reason", help="Why it is adopted; kept with it.")] = "",
    clock_is_right: ClockOption = False,
    wait: WaitOption = WAIT_S,
    format_: ToldOption = Told.text,
) -> None:
    """Fit a rating to a site's gaugings, or propose shifts; nothing is adopted without --adopt and --reason."""
    begins, span = moment_of(valid_from), span_from(since, until)
    if adopt is not None and (not reason or by == "unnamed" or (begins is None and not propose)):
        typer.echo("stillwell: expected --by, --reason and --valid-from with --adopt; nothing was adopted", err=True)
        say_next(
            f"`stillwell rate {site} --adopt NAME --valid-from 2025-10-01T00:00Z --by CODE --reason WHY{at(archive)}`"
        )
        raise typer.Exit(2)
    with in_words(archive, lambda: site_hint(archive, site, _RATE.replace("SITE", site))):
        if propose:
            shown = _proposed(archive, site, way, by, reason)
        else:
            asked = (segments, () if zero is None else (zero,), control or [])
            shown = _fitted(archive, site, span, asked, (adopt or "", begins, by, reason))
        if format_ is Told.text:
            typer.echo(shown.text, nl=False)
        elif adopt is None:
            tell(shown.document)
        if adopt is not None:
            _adopt(archive, site, shown, (by, clock(clock_is_right)), format_, wait)


class _Shown(NamedTuple):
    """A rating or shifts in words, for programs, and as the deposit that would adopt them."""

    text: str
    document: dict[str, Any]
    deposit: Any


def _proposed(archive: Path, site: str, way: str, by: str, reason: str) -> _Shown:
    from stillwell.archive.archive import Archive
    from stillwell.pipeline import adopt as adopting
    from stillwell.reading.rating.document import proposal_document
    from stillwell.reading.rating.shifts import proposal_of, proposal_text

    rating, proposal = proposal_of(Archive(archive), site, way)
    deposit = adopting.shifts_deposit(rating, proposal.entries, by=by, reason=reason)
    return _Shown(proposal_text(rating, proposal), proposal_document(rating, site, proposal), deposit)


def _fitted(
    archive: Path,
    site: str,
    span: Span,
    asked: tuple[int | None, tuple[float, ...], list[str]],
    adopted: tuple[str, datetime | None, str, str],
) -> _Shown:
    from stillwell.archive.archive import Archive
    from stillwell.hydrometry.rating.shape import FitChoices
    from stillwell.pipeline import adopt as adopting
    from stillwell.reading.policy import policy_shown
    from stillwell.reading.rating.document import rating_document
    from stillwell.reading.rating.findings import findings_of_fit
    from stillwell.reading.rating.site_fit import candidates, ensemble_text, fitted, rating_text, sampled

    segments, zeros, controls = asked
    opened = Archive(archive)
    gaugings = candidates(opened, site, span)
    made = fitted(gaugings, FitChoices(segments=segments, zero_stage_m=zeros))
    ensemble = sampled(gaugings, made, controls) if controls else None
    findings = findings_of_fit(gaugings, made, policy_shown(opened).policy)
    text = rating_text(gaugings, made, findings) + ("\n" + ensemble_text(ensemble) if ensemble else "")
    name, begins, by, reason = adopted
    deposit = adopting.rating_deposit(
        site, name, made, gaugings=gaugings.names, valid_from=begins, by=by, reason=reason
    )
    return _Shown(text, rating_document(gaugings, made, ensemble, findings), deposit)


def _adopt(
    archive: Path, site: str, shown: _Shown, who: tuple[str, Callable[[], datetime]], format_: Told, wait: float
) -> None:
    """Take the deposit by somebody at the moment of a clock, and say what became of it."""
    from stillwell.pipeline import adopt as adopting
    from stillwell.reading.printed.documents import taken_document
    from stillwell.reading.printed.rendering import rendered_line
    from stillwell.reading.printed.summary import taken_words

    by, now = who
    taken = adopting.adopt(archive, shown.deposit, by=by, now=now, wait_s=wait)
    number = taken.entry.number if taken.entry else 0
    if format_ is Told.json:
        adopted = {"name": shown.deposit.name, "commit": number} if taken.all_good else None
        document = taken_document(taken)
        tell(shown.document | {"adopted": adopted, "returned": document["returned"], "rendered": document["rendered"]})
    if not taken.all_good:
        typer.echo(taken_words(taken), err=True, nl=False)
        again = f"`stillwell rate {site} --adopt NAME --valid-from TIME --by CODE --reason WHY{at(archive)}`"
        say_next(f"{again} with the name, code or reason put right as listed above")
        raise typer.Exit(1)
    if format_ is Told.text:
        words = f"`stillwell derive {site}{at(archive)}` brings the record up to it"
        typer.echo(f"adopted {shown.deposit.name} in commit {number}; {words}")
        typer.echo(rendered_line([taken.rendered]), err=True, nl=False)


def derive(
    sites: Annotated[
        list[str] | None,
        typer.Argument(metavar="[SITE]...", help="All with stage and a rating.", autocompletion=completion.sites),
    ] = None,
    archive: ArchiveOption = HERE,
    by: ByOption = "unnamed",
    render_later: LaterOption = False,
    clock_is_right: ClockOption = False,
    wait: WaitOption = WAIT_S,
    format_: ToldOption = Told.text,
) -> None:
    """Turn recorded stage into discharge and daily values wherever something changed, and commit that.

    A site whose stage, ratings and all else that a record is derived from are unchanged is up to date, and not read.
    """
    from stillwell.pipeline import derive as deriving
    from stillwell.reading.printed.documents import derived_document, derived_sites
    from stillwell.reading.printed.rendering import rendered_after, rendered_line
    from stillwell.reading.rating.shifts import current_line, derived_lines

    commits, derived_rows, current = [], [], list[str]()
    rendered: list[Rendered] = []
    with in_words(archive, lambda: _derive_hint(archive, sites or [])):
        now = clock(clock_is_right)
        made = deriving.derivations(
            archive,
            sites,
            by=by,
            now=now,
            wait_s=wait,
            render_now=not render_later,
            after=rendered.append,
            current=current.extend,
        )
        for entry, rows in made:
            commits.append(entry.number)
            derived_rows += derived_sites(rows)
            if format_ is Told.text:
                typer.echo(derived_lines(rows), nl=False)
        left_out = [] if sites else deriving.left_out(archive)
    for one in left_out:
        typer.echo(f"{one['site']}: {one['words']}; no record is derived", err=True)
    if left_out:
        site = next((one["site"] for one in left_out if "stage" not in one["lacks"]), left_out[0]["site"])
        say_next(_lacking(archive, str(site)).replace("{at}", at(archive)))
    if format_ is Told.json:
        tell(derived_document(commits, derived_rows, left_out, len(current)) | {"rendered": rendered_after(rendered)})
        return
    if not derived_rows:
        typer.echo("nothing changed: every record is what its stage, ratings and shifts make")
    typer.echo(current_line(len(current)), err=True, nl=False)
    if not commits:
        return
    typer.echo(numbered("commit", commits), err=True)
    typer.echo(rendered_line(rendered), err=True, nl=False)


def record(
    site: SiteArgument,
    archive: ArchiveOption = HERE,
    step: Annotated[
        str,
        typer.Option(
            "--step",
            help="values, daily, monthly, water-years, duration, seven-day, maximum, visits or corrections.",
            autocompletion=completion.words("step"),
        ),
    ] = "daily",
    since: SinceOption = None,
    until: UntilOption = None,
    as_of: AsOfOption = None,
    format_: FormatOption = Format.table,
    output: OutputOption = None,
) -> None:
    """Print or export a site's record over any span, at any step."""
    from stillwell.archive.archive import Archive
    from stillwell.reading.records import record as recorded
    from stillwell.reading.records import without_mean

    with in_words(archive, lambda: _record_hint(archive, site, step)):
        answer = recorded(Archive(archive).at(moment_of(as_of)), site, step, span_from(since, until))
        write(answer, format_, output)
        if note := without_mean(answer, step):
            typer.echo(f"note: {note}", err=True)


def _record_hint(archive: Path, site: str, step: str) -> str:
    from stillwell.reading.records import STEPS

    if step not in STEPS:
        return f"`stillwell record {site} --step daily{{at}}`, or another of these words"
    return site_hint(archive, site, _lacking(archive, site))


def _derive_hint(archive: Path, sites: list[str]) -> str:
    """Say what the first of some sites that lacks something for a record lacks."""
    short = [site for site in sites if _missing(archive, site)]
    return site_hint(archive, short[0], _lacking(archive, short[0])) if short else ""


def _missing(archive: Path, site: str) -> list[str]:
    """Name what a record rests on and a site has none of."""
    from stillwell.archive.archive import Archive
    from stillwell.prepare.records import lacking

    return lacking(Archive(archive), [site])[site]


def _lacking(archive: Path, site: str) -> str:
    """Say which commands bring what a site lacks for a record."""
    adopted = "--adopt NAME --valid-from TIME --by CODE --reason WHY"
    steps = {
        "stage": "`stillwell ingest LOGGER_FILES{at}` brings its stage",
        "ratings": f"`stillwell rate {site} {adopted}{{at}}` gives it a rating",
    }
    first = [steps[name] for name in _missing(archive, site)]
    return "; ".join([*first, f"`stillwell derive {site}{{at}}` makes the record"])


def next_(archive: ArchiveOption = HERE, format_: FormatOption = Format.table) -> None:
    """Say where one more gauging would help the records most."""
    import pyarrow as pa

    from stillwell.archive.archive import Archive
    from stillwell.hydrometry.rating.next_gauging import ranked
    from stillwell.pipeline.committing import utc_now
    from stillwell.reading.printed.json_values import rows_of
    from stillwell.reading.records import outlooks

    with in_words(archive):
        forecasts, silent = outlooks(Archive(archive), utc_now())
        if format_ is Format.json:
            tell([row | {"words": forecasts[row["site"]].sentences} for row in rows_of(ranked(forecasts))])
        elif forecasts or format_ is not Format.table:
            write(pa.Table.from_pandas(ranked(forecasts), preserve_index=False), format_, None)
    for site, outlook in forecasts.items() if format_ is Format.table else ():
        for sentence in outlook.sentences:
            typer.echo(f"{site}: {sentence}")
    for site, why in silent.items():
        typer.echo(f"{site}: nothing can be said: {why}", err=True)
    if not forecasts:
        say_next(_DERIVE.replace("{at}", at(archive)))
