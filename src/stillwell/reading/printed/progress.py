"""A progress bar on stderr, only when a person is watching."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def watched() -> Iterator[Callable[[str, int, int], None] | None]:
    """Give a function to tell of progress; None when nobody is watching."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        number = bar.add_task("starting", total=None)

        def tell(step: str, done: int, total: int) -> None:
            bar.update(number, description=step, completed=done, total=total)

        yield tell
