"""From understood deposits to the rows of one commit. Writes nothing and reads no clock.

Ingest calls it with the archive as it stands; audit and rebuild call it again with the archive as it stood.
"""

from stillwell.prepare.context import CommitContext, Prepared
from stillwell.prepare.prepare_commit import prepare
from stillwell.prepare.recompute import Change, reassess

__all__ = ["Change", "CommitContext", "Prepared", "prepare", "reassess"]
