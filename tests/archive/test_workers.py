"""The caller and the processes that help it share work; whatever happens to one of them is told, and nobody waits."""

from __future__ import annotations

import os
import signal
import time

import pytest

from stillwell.archive.workers import Crew, spawned
from stillwell.errors import ArchiveDamaged, ProcessLost

PARTS = [(number,) for number in range(40)]


class Worker:
    """Says who did a part, and how often this worker did one before."""

    def __init__(self) -> None:
        self.done = 0

    def part(self, number: int) -> tuple[int, int, int]:
        """Say who does it."""
        time.sleep(0.01)
        self.done += 1
        return number, os.getpid(), self.done

    def killed(self, number: int) -> int:
        """End this process."""
        os.kill(os.getpid(), signal.SIGKILL)
        return number

    def damaged(self, number: int) -> int:
        """Fail in words."""
        msg = f"expected part {number}, found none"
        raise ArchiveDamaged(msg)


class Caller(Worker):
    """Does parts without harm."""

    def killed(self, number: int) -> int:
        """Go on."""
        time.sleep(0.01)
        return number

    damaged = killed


def refused() -> Worker:
    """Refuse to open."""
    msg = "expected an archive that opens, found another"
    raise ArchiveDamaged(msg)


def _begun(crew: Crew) -> Crew:
    """Wait until the processes that help have begun, so that they get the first parts."""
    for future in crew._begun:
        future.result(timeout=60)
    return crew


@pytest.mark.parametrize("helpers", [0, 1, 2])
def test_each_part_is_done_once_whoever_does_it(helpers):
    """What parts come to is returned in their order, and each worker keeps its object from part to part."""
    if helpers == 0:
        found = Crew(Worker()).all("part", PARTS)
    else:
        with spawned(helpers, Worker) as pool:
            found = _begun(Crew(Worker(), pool, helpers)).all("part", PARTS)
    assert [number for number, _, _ in found] == list(range(40))
    by_worker = {who: [count for _, one, count in found if one == who] for _, who, _ in found}
    assert os.getpid() in by_worker
    assert len(by_worker) > 1 or helpers == 0
    assert all(counts == list(range(1, len(counts) + 1)) for counts in by_worker.values())


def test_no_part_is_begun_when_it_is_enough():
    """Parts are begun as they are named; those not begun when it is enough are dropped."""
    seen = []
    for place, _ in Crew(Worker()).each("part", PARTS, lambda: len(seen) >= 3):
        seen.append(place)
    assert seen == [0, 1, 2]


def test_lots_hold_everything_in_order():
    """Lots of neighbours join to the whole, several for each process; without helpers there is one."""
    with spawned(1, Worker) as pool:
        lots = Crew(Worker(), pool, 1).lots(range(100))
    assert [number for lot in lots for number in lot] == list(range(100))
    assert [len(lot) for lot in lots] == [13] * 7 + [9]
    assert Crew(Worker()).lots(range(100)) == [list(range(100))]
    assert Crew(Worker()).lots(()) == []


def test_a_lot_of_large_things_holds_fewer_of_them():
    """A lot is no larger than an eighth of the whole; a thing that is larger has one of its own."""
    with spawned(1, Worker) as pool:
        crew = Crew(Worker(), pool, 1)
        lots = crew.lots("abcdefghij", [1, 1, 30, 1, 10, 10, 10, 10, 7, 0])
        level = crew.lots(range(100), [7] * 100)
    assert ["".join(lot) for lot in lots] == ["ab", "c", "d", "e", "f", "g", "h", "ij"]
    assert [len(lot) for lot in level] == [12] * 8 + [4]
    assert Crew(Worker()).lots("abc", [5, 1, 1]) == [["a", "b", "c"]]


def test_a_process_that_is_killed_at_work_is_told_in_words():
    """The caller does not wait for a process that is gone."""
    with spawned(1, Worker) as pool:
        crew = _begun(Crew(Caller(), pool, 1))
        with pytest.raises(ProcessLost, match=r"expected 2 processes .* one ended before it was done"):
            crew.all("killed", PARTS)


def test_a_process_killed_before_its_first_part_is_told_in_words():
    """A process that ends before it has begun ends the work, too."""
    with spawned(1, Worker) as pool:
        crew = _begun(Crew(Caller(), pool, 1))
        for process in list(pool._processes.values()):
            process.kill()
            process.join(timeout=60)
        with pytest.raises(ProcessLost, match="one ended before it was done"):
            crew.all("part", [*PARTS, *PARTS])


@pytest.mark.parametrize(("opening", "words"), [(Worker, "expected part 0, found none"), (refused, "that opens")])
def test_an_error_of_a_process_comes_in_its_own_words(opening, words):
    """What fails in a process, at its work or as it opens, is raised by the caller as it is."""
    with spawned(1, opening) as pool:
        crew = _begun(Crew(Caller(), pool, 1))
        with pytest.raises(ArchiveDamaged, match=words):
            crew.all("damaged", PARTS)
