"""What each part of a night came to: a page a part, also of one that failed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from stillwell.archive.care.witness import keep_witness
from stillwell.errors import StillwellError
from stillwell.reading.printed.summary import audit_markdown, audit_text
from stillwell.shared_types import AuditReport


class NightFailed(StillwellError):
    """A part of a night failed, or the audit found a fault."""


@dataclass
class Night:
    """The parts of a night.

    Parameters
    ----------
    archive : Path
    """

    archive: Path
    report: AuditReport | None = None
    failed: dict[str, str] = field(default_factory=dict)
    """Why, in words, by part."""

    def page(self, part: str, make: Callable[[], str]) -> str:
        """Make the page of a part; an error becomes its page, and is kept for the end of the night."""
        try:
            return make()
        except Exception as error:  # whatever it is: the other parts still have something to say, and the night fails
            self.failed[part] = (
                f"{type(error).__name__}: {error}" if not isinstance(error, StillwellError) else str(error)
            )
            return f"# {part}\n\nThis part failed: {self.failed[part]}\n"

    def audited(self, audit: Callable[[Path], AuditReport]) -> str:
        """Audit the archive; return the page of the report."""
        self.report = audit(self.archive)
        return audit_markdown(self.report)

    @property
    def sound(self) -> bool:
        """Whether the archive was audited and no fault was found."""
        return self.report is not None and not self.report.faults

    def text(self) -> str:
        """Write the audit and each part that failed, for a person."""
        words = "" if self.report is None else audit_text(self.report)
        return words + "".join(f"failed: {part}: {why}\n" for part, why in self.failed.items())

    def raise_if_failed(self) -> None:
        """Raise NightFailed when a part failed or the audit found a fault."""
        if self.failed or not self.sound:
            raise NightFailed(self.text())


def witness_page(archive: Path, files: Sequence[Path], now: datetime) -> str:
    """Add a line on the archive to each witness file; return the page that names the files."""
    keep_witness(archive, files, now)
    return "# witness\n\n" + "".join(f"- a line was added to `{file}`\n" for file in files)
