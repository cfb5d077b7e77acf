"""A disk that loses power: what was written is kept apart from what was synced.

Stands at the one door to the disk (``fs.System``); carries out every call and notes it. At any call it can tell
what a legal filesystem may hold after the power is cut there:

- bytes of a file outlast the cut if the file, or its filesystem, was synced after they were written; before that all, a
  beginning, zeros in place of them, or nothing may be there;
- a name in a folder (made, given by rename or link, or removed) outlasts the cut if that folder, or its filesystem, was
  synced after the change; before that each name is in any of the states it went through since;
- a rename within one folder is one change. Between two folders it is two, but never loses a file that still has its old
  place: the old name goes only if the new one has come. A folder is never in two places at once.

No order among names or files is promised.
"""

from __future__ import annotations

import itertools
import random
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, fields
from pathlib import Path

from stillwell.archive.disk import fs
from stillwell.fingerprint import sha256

Files = dict[str, bytes | None]
"""Content by path; None for a folder."""


@dataclass(eq=False)
class File:
    """Bytes as written last, and those that were there when it was last synced."""

    written: bytes
    synced: bytes | None = None

    def after_a_cut(self, draw: random.Random | None) -> bytes:
        """Choose what is there: nothing where there is no draw, and what was synced if that is all."""
        if self.synced is self.written:
            return self.written
        if draw is None:
            return self.synced or b""
        half = self.written[: draw.randrange(len(self.written) + 1)]
        return draw.choice([self.synced or b"", half, bytes(len(self.written)), self.written])


@dataclass(eq=False)
class Folder:
    """Each name with the states it went through since it was last synced, the first of them on the disk for sure."""

    names: dict[str, list[tuple[int, Node | None]]] = field(default_factory=dict)

    def now(self, name: str) -> Node | None:
        """Return what has a name."""
        return self.names[name][-1][1] if name in self.names else None


Node = File | Folder


@dataclass(eq=False)
class Rename:
    """A rename whose two names are not both known to be on the disk."""

    number: int
    node: Node
    source: tuple[Folder, str]
    target: tuple[Folder, str]
    left: bool = False
    """Whether the folder of the old name was synced."""


class PowerDisk:
    """The operating system, noting each change below a folder.

    Parameters
    ----------
    patch : pytest.MonkeyPatch
    top : Path
        Everything in it is on the disk when this is made.
    at_call : callable
        Told the number of each call, before it is made.
    """

    def __init__(self, patch, top: Path, at_call: Callable[[int], None] = lambda number: None, *, whole: bool = True):
        self.top, self.calls, self._at_call = top.resolve(), 0, at_call
        self._renames: list[Rename] = []
        self.root = self._read(self.top)
        real = fs.System()
        for call in fields(fs.System):
            done = getattr(real, call.name)
            if call.name == "syncfs" and (done is None or not whole):
                patch.setattr(fs.system, "syncfs", None)
                continue
            patch.setattr(fs.system, call.name, self._noting(getattr(self, f"_{call.name}"), done))

    def _noting(self, note, real):
        def call(*args):
            self._at_call(self.calls)
            self.calls += 1
            out = real(*args)
            note(*args)
            return out

        return call

    def _read(self, place: Path) -> Folder:
        """Take over what is on the disk already."""
        folder = Folder()
        for path in place.iterdir():
            node: Node = self._read(path) if path.is_dir() else _as_synced(path.read_bytes())
            folder.names[path.name] = [(0, node)]
        return folder

    def _at(self, path: Path) -> tuple[Folder, str]:
        """Find the folder of a path, and its name there."""
        *above, name = path.absolute().relative_to(self.top).parts
        folder = self.root
        for part in above:
            inner = folder.now(part)
            assert isinstance(inner, Folder), path
            folder = inner
        return folder, name

    def _give(self, place: tuple[Folder, str], node: Node | None) -> None:
        folder, name = place
        folder.names.setdefault(name, [(0, None)]).append((self.calls, node))

    def _write(self, handle, data):
        handle.flush()
        folder, name = self._at(Path(handle.name))
        node = folder.now(name)
        # a file may be written piece by piece: what it holds by now counts
        written = Path(handle.name).read_bytes()
        if isinstance(node, File):
            node.written = written
        else:
            self._give((folder, name), File(written))

    def _fsync(self, descriptor):
        path = Path(f"/proc/self/fd/{descriptor}").readlink()
        if path == self.top:
            self._settle(self.root)
        elif self.top in path.parents:
            folder, name = self._at(path)
            node = folder.now(name)
            if isinstance(node, File):
                node.synced = node.written
            elif node is not None:
                self._take_up(node, path)
                self._settle(node)

    def _take_up(self, folder: Folder, path: Path) -> None:
        """Note files that were made past the door, such as the lock's."""
        for found in path.iterdir():
            if found.name not in folder.names and found.is_file():
                self._give((folder, found.name), _as_synced(found.read_bytes()))

    def _settle(self, folder: Folder) -> None:
        """Bring the names of a folder to the disk; an old name stays unsure until the new one is there."""
        leaving = [r for r in self._renames if r.source[0] is folder]
        for rename in leaving:
            rename.left = True
        held = {r.source[1]: r.number for r in leaving if not _sure(r) and r.target[0] is not folder}
        for name, states in folder.names.items():
            earlier = sum(number < held[name] for number, _ in states) - 1 if name in held else len(states) - 1
            folder.names[name] = states[earlier:]
        # a folder's old place is gone for sure once its new one is there
        for rename in self._renames:
            source, name = rename.source
            if rename.target[0] is folder and (rename.left or isinstance(rename.node, Folder)):
                source.names[name] = [s for s in source.names[name] if s[0] >= rename.number]
        self._renames = [r for r in self._renames if not (_sure(r) and len(r.source[0].names[r.source[1]]) == 1)]

    def _syncfs(self, descriptor):
        self._renames.clear()
        waiting: list[Node] = [self.root]
        while waiting:
            node = waiting.pop()
            if isinstance(node, File):
                node.synced = node.written
                continue
            node.names = {name: states[-1:] for name, states in node.names.items()}
            waiting += [inner for states in node.names.values() if (inner := states[-1][1]) is not None]

    def _replace(self, source, target):
        old, new = self._at(source), self._at(target)
        node = old[0].now(old[1])
        assert node is not None
        self._give(new, node)
        self._give(old, None)
        self._renames.append(Rename(self.calls, node, old, new))

    def _link(self, source, target):
        folder, name = self._at(source)
        self._give(self._at(target), folder.now(name))

    def _mkdir(self, path):
        if path.absolute() != self.top:
            self._give(self._at(path), Folder())

    def _unlink(self, path):
        self._give(self._at(path), None)

    _rmdir = _unlink

    def after_a_cut(self, seed: int | None) -> Files:
        """Choose one legal state of the disk.

        Parameters
        ----------
        seed : int, optional
            Of the choice; without it nothing that was not synced is there, and with -1 every change of a name is there
            and no byte that was not synced.
        """
        draw = None if seed is None or seed < 0 else random.Random(seed)
        chosen: dict[tuple[Folder, str], int] = {}

        def choose(folder: Folder, name: str) -> int:
            if (folder, name) not in chosen:
                states = folder.names[name]
                chosen[folder, name] = 0 if seed is None else len(states) - 1
                if draw is not None:
                    chosen[folder, name] = draw.randrange(len(states))
            return chosen[folder, name]

        for rename in self._renames:
            (target, name), (source, old) = rename.target, rename.source
            come = target.names[name][choose(target, name)][0] >= rename.number
            gone = source.names[old][choose(source, old)][0] >= rename.number
            if gone != come and (gone or source is target or isinstance(rename.node, Folder)):
                numbers = [number >= rename.number for number, _ in source.names[old]]
                if come in numbers:
                    chosen[source, old] = len(numbers) - 1 if come else numbers.index(True) - 1
        return dict(_walked(self.root, "", choose, draw))


def _as_synced(data: bytes) -> File:
    return File(data, data)


def _sure(rename: Rename) -> bool:
    """Say whether the new name of a rename is on the disk, or went since."""
    folder, name = rename.target
    return folder.names[name][0][0] >= rename.number


def _walked(folder: Folder, path: str, choose, draw) -> Iterator[tuple[str, bytes | None]]:
    for name, states in sorted(folder.names.items()):
        node, inside = states[choose(folder, name)][1], f"{path}{name}"
        if isinstance(node, File):
            yield inside, node.after_a_cut(draw)
        elif node is not None:
            yield inside, None
            yield from _walked(node, f"{inside}/", choose, draw)


def laid_out(files: Files, place: Path) -> Path:
    """Write a state of the disk into a new folder."""
    place.mkdir(parents=True)
    for path, data in files.items():
        if data is None:
            (place / path).mkdir()
        else:
            (place / path).write_bytes(data)
    return place


STATES = (None, -1, 1, 2)
"""Nothing unsynced, every name and no byte, and two draws."""


class Cuts:
    """The states after a cut at calls of some work, each once, with the last call they can come after.

    With ``every`` above 1 only each so-manieth call is cut, and the last; in one of the states each, taken in turn, the
    last in the first of them.
    """

    def __init__(self, tmp: Path, monkeypatch, states=STATES, *, every: int = 1, whole: bool = True):
        self.states, self.every, self.found = states, every, {}
        self._tmp, self._patch, self._whole = tmp, monkeypatch, whole
        self._numbers = itertools.count()

    def of(self, top: Path, work) -> int:
        """Do some work and collect the states; return the number of calls."""
        with self._patch.context() as patch:
            disk = PowerDisk(patch, top, lambda number: self._collect(disk, number), whole=self._whole)
            work()
        self._collect(disk, disk.calls, last=True)
        return disk.calls

    def _collect(self, disk, number, *, last=False):
        if number % self.every and not last:
            return
        turn = 0 if last else number // self.every % len(self.states)
        for seed in self.states if self.every == 1 else (self.states[turn],):
            files = disk.after_a_cut(seed if seed is None or seed < 0 else 1000 * number + seed)
            key = tuple(sorted((p, "" if data is None else sha256(data)) for p, data in files.items()))
            self.found[key] = (number, files)

    def places(self):
        """Yield the call each state can come after, and the state in a folder of its own."""
        with self._patch.context() as patch:
            # what follows a cut is not cut again
            patch.setattr(fs.system, "fsync", lambda descriptor: None)
            patch.setattr(fs.system, "syncfs", None)
            for number, files in self.found.values():
                place = laid_out(files, self._tmp / f"cut{next(self._numbers)}")
                yield number, place
                shutil.rmtree(place)
