"""Everything Stillwell raises on purpose.

    StillwellError
    |-- DepositError            a deposit cannot even be opened
    |-- PolicyError             an office policy that cannot be used, naming its line
    |-- MapError                an intake map that cannot be used, naming its line
    |-- QueryError              a question the archive cannot answer
    |-- RatingError             gaugings or choices from which no rating can be made
    `-- ArchiveError
        |-- NotAnArchive        the folder is not an archive, or is a newer kind
        |-- ArchiveLocked       another writer holds the lock
        |-- CannotLock          the filesystem gives no locks
        |-- ClockRefused        the clock stands too far from the newest commit
        |-- ArchiveDamaged      what is read is not what was written
        `-- Withheld            sealed content was removed by a recorded decision

A message says what was expected, what was found, where, and what happens now.
"""

from __future__ import annotations


class StillwellError(Exception):
    """Base of every error a person is meant to read."""


class DepositError(StillwellError):
    """A deposit cannot be opened at all."""


class PolicyError(StillwellError):
    """An office policy cannot be used."""


class MapError(StillwellError):
    """An intake map cannot be used."""


class QueryError(StillwellError):
    """A question cannot be answered."""


class PortTaken(StillwellError):
    """The reading room cannot listen where it was told to."""


class RatingError(StillwellError):
    """No rating can be made of these gaugings with these choices."""


class ArchiveError(StillwellError):
    """Something about an archive as a whole."""


class NotAnArchive(ArchiveError):
    """The folder is not an archive this version can read."""


class ArchiveLocked(ArchiveError):
    """Another writer is at work."""


class CannotLock(ArchiveError):
    """The filesystem gives no locks, so nothing may be written."""


class ClockRefused(ArchiveError):
    """The computer's clock stands too far from the newest commit to be believed unasked."""


class ArchiveDamaged(ArchiveError):
    """What is read is not what was written."""


class Withheld(ArchiveError):
    """The content of a sealed deposit was removed by a recorded decision."""


class ProcessLost(StillwellError):
    """A process that shared the work ended before it was done."""
