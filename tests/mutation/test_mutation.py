"""The tool that changes the code by one token notices what tests notice, and leaves every file as it is."""

from __future__ import annotations

import ast
import hashlib
import json
import re
import subprocess
import sys
import textwrap
from collections import Counter
from pathlib import Path

import pytest

from tests.mutation.__main__ import FLOORS, GOAL, drawn, equivalent, judged_before, sampled, score
from tests.mutation.operators import mutants, mutated, of_room
from tests.mutation.selection import Lines, selected

ROOT = Path(__file__).resolve().parents[2]
SOURCE = textwrap.dedent('''
    """A module."""
    LIMIT = 2.0
    Pair = tuple[int, str]

    def inside(x: float, y: float) -> bool:
        """Say so."""
        if not x:
            raise ValueError(f"expected more than {0}")
        note(x)
        return x < LIMIT and max(x, y) - 1 >= y
''')


def _changes():
    return [(m.kind, m.before, m.after) for m in mutants("m.py", SOURCE)]


def test_every_kind_of_change_is_made_once():
    """Comparisons go to their bound and over it, sums to differences, texts and annotations stay as they are."""
    assert _changes() == [
        ("constant", "2.0", "2.5"),
        ("boolean", "not x", "x"),
        ("removed", "raise ValueError(f'expected more than {0}')", "pass"),
        ("removed", "note(x)", "pass"),
        ("boolean", "x < LIMIT and max(x, y) - 1 >= y", "x < LIMIT or max(x, y) - 1 >= y"),
        ("comparison", "x < LIMIT", "x <= LIMIT"),
        ("comparison", "x < LIMIT", "x >= LIMIT"),
        ("comparison", "max(x, y) - 1 >= y", "max(x, y) - 1 > y"),
        ("comparison", "max(x, y) - 1 >= y", "max(x, y) - 1 < y"),
        ("arithmetic", "max(x, y) - 1", "max(x, y) + 1"),
        ("extreme", "max(x, y)", "min(x, y)"),
        ("constant", "1", "2"),
    ]


def test_a_mutant_differs_in_its_own_place_only():
    """Each tree compiles, keeps its lines, and is the source but for one change; no two are alike."""
    plain = ast.unparse(ast.parse(SOURCE))
    texts = []
    for mutant in mutants("m.py", SOURCE):
        tree = mutated(SOURCE, mutant.index)
        compile(tree, "m.py", "exec")
        texts.append(ast.unparse(tree))
        assert len([1 for a, b in zip(plain.splitlines(), texts[-1].splitlines(), strict=True) if a != b]) == 1
    assert len(set(texts)) == len(texts) > 10


@pytest.mark.parametrize("room", ["hydrometry", "assessment", "archive"])
def test_a_seed_draws_the_same_mutants(room):
    """300 different ones of each room, the same for one seed; the listed equivalents are mutants there are."""
    sample = sampled(room, 300, 5)
    assert sample == sampled(room, 300, 5)
    assert len({m.key for m in sample}) == 300
    keys = {m.key for m in of_room(ROOT, room)}
    assert [key for key in equivalent() if f"/{room}/" in key and key not in keys] == []


def test_a_change_of_source_replaces_only_the_mutants_it_touches():
    """Without one mutant of a sample all others stay in it, in their order, and one more comes at the end."""
    every = of_room(ROOT, "assessment")
    before = drawn(every, 300, 5)
    for gone in before[::60]:
        after = drawn([one for one in every if one != gone], 300, 5)
        assert after[:-1] == [one for one in before if one != gone]
        assert after[-1] not in before
    assert drawn(every[::-1], 300, 5) == before != drawn(every, 300, 6)


def test_a_verdict_is_kept_while_the_module_is_the_same(tmp_path):
    """The newest line of a mutant counts; one noted with another source, or of a module that is gone, does not."""
    file, path = tmp_path / "verdicts.jsonl", "src/stillwell/hydrometry/meter/despike.py"
    now = hashlib.sha256((ROOT / path).read_bytes()).hexdigest()
    noted = [("a", "survived", now), ("a", "killed", now), ("b", "killed", "0" * 64)]
    lines = [{"mutant": f"{path}::{name}", "verdict": verdict, "source": source} for name, verdict, source in noted]
    gone = {"mutant": "src/stillwell/no_such.py::c", "verdict": "killed", "source": now}
    file.write_text("".join(json.dumps(one) + "\n" for one in [*lines, gone]))
    assert {key: one["verdict"] for key, one in judged_before(file).items()} == {f"{path}::a": "killed"}
    assert judged_before(None) == judged_before(tmp_path / "none") == {}


def test_the_score_leaves_equivalents_out():
    """Killed and timed out over all that could have been noticed; what no test runs was not noticed."""
    assert score(Counter(killed=7, timeout=1, survived=1, untested=1, equivalent=5)) == 80.0


def test_a_mutant_is_held_against_the_tests_of_its_line():
    """A line of a function: the tests that run it, shortest first; a constant: those of the lines that name it."""
    path = "src/stillwell/hydrometry/meter/despike.py"
    source = (ROOT / path).read_text(encoding="utf-8")
    every = mutants(path, source)
    line = next(i for i, text in enumerate(source.splitlines(), 1) if "range(1, REACH + 1)" in text)
    lines = Lines(
        ("tests/a.py::slow", "tests/a.py::quick", "tests/a.py::other"), (2.0, 1.0, 0.1), {path: {line: [0, 1]}}
    )
    reach = next(m for m in every if m.before == "2" and m.names == ("REACH",))
    here = next(m for m in every if m.line == line)
    assert selected(reach, lines) == selected(here, lines) == ["tests/a.py::quick", "tests/a.py::slow"]


def test_a_default_is_held_against_all_who_call_its_function():
    """The body of ``signs`` is run by a test that gives no level and by none of the lines that name the function."""
    path = "src/stillwell/hydrometry/rating/residual_tests.py"
    source = (ROOT / path).read_text(encoding="utf-8")
    level = next(m for m in mutants(path, source) if (m.scope, m.before) == ("signs", "95"))
    at = {text.strip(): i for i, text in enumerate(source.splitlines(), 1)}
    body, other = at["n, above = sign.size, int((sign > 0).sum())"], at["n = departure_pct.size"]
    lines = Lines(("tests/a.py::mine", "tests/a.py::other"), (0.2, 0.1), {path: {body: [0], other: [1]}})
    assert selected(level, lines) == ["tests/a.py::mine"]


def test_a_constant_is_held_against_tests_that_name_it_or_what_is_made_of_it():
    """``OF_SEASON`` is made of ``CHECKS``: a test that names either may notice a changed check, and no line runs."""
    path = "src/stillwell/assessment/check_table.py"
    season = next(m for m in mutants(path, (ROOT / path).read_text(encoding="utf-8")) if m.before == "True")
    here = "tests/assessment/test_checks.py::test_"
    tests = (f"{here}every_limit_is_used", f"{here}each_check_names_what_exists[a]", f"{here}nothing_of_the_kind")
    assert season.names == ("CHECKS",)
    assert selected(season, Lines(tests, (0.1, 0.2, 0.3), {path: {}})) == list(tests[:2])
    words = "tests/mutation/test_mutation.py::test_a_constant_is_held_against_tests_that_name_it_or_what_is_made_of_it"
    assert selected(season, Lines((words,), (0.1,), {path: {}})) == [words]


TOLERANCE = "tests/hydrometry/test_thresholds.py::"
SPIKES = "tests/hydrometry/test_despike.py::test_half_of_a_record_always_stays"


@pytest.mark.parametrize(("file", "test", "verdicts"), [
    ("stage/corrections.py",
     f"{TOLERANCE}test_two_differences_agree_within_two_root_two_of_a_reading[0.0143-drift-1.0]",
     {("2 * np.sqrt(2) * reading_m", "2 * np.sqrt(2) / reading_m"): ["killed", "killed"]}),
    ("meter/despike.py", SPIKES, {("-1", "1"): ["survived", "survived"], ("2", "3"): ["not here", "survived"]}),
])  # fmt: skip
def test_the_tool_tells_what_a_test_notices(file, test, verdicts):
    """A wrong limit is killed, what changes nothing or is not looked at lives; a constant must be imported anew."""
    path = ROOT / "src" / "stillwell" / "hydrometry" / file
    before = path.read_bytes()
    code = f"""
from tests.mutation import child, warm
from tests.mutation.operators import mutants
path = {str(path.relative_to(ROOT))!r}
source = open(path, encoding="utf-8").read()
process = warm.Warm([{test.split("::")[0]!r}])
for change in {list(verdicts)!r}:
    one = [m for m in mutants(path, source) if (m.before, m.after) == change][0]
    print(process.judged(one, [{test!r}], 5.0), child.judged(one, [{test!r}], 5.0), sep=chr(10))
process.close()
"""
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.splitlines() == [word for words in verdicts.values() for word in words]
    assert path.read_bytes() == before


def test_the_nearest_tests_come_first():
    """A case named after the function, then what is quick and the room's own, then one case of each test by length;
    what would take too long is passed over.
    """
    mutant = next(m for m in mutants("src/stillwell/archive/m.py", SOURCE) if m.scope == "inside")
    seconds = {
        "tests/golden/b.py::named[inside]": 3.0,
        "tests/archive/a.py::quick": 0.01,
        "tests/golden/b.py::far": 0.005,
        "tests/archive/a.py::t[1]": 0.1,
        "tests/archive/a.py::t[2]": 0.2,
        "tests/archive/a.py::long": 99.0,
    }
    every = {line: list(range(6)) for line in range(1, 20)}
    chosen = selected(mutant, Lines(tuple(seconds), tuple(seconds.values()), {mutant.path: every}))
    assert chosen == list(seconds)[:5]


def test_a_constant_in_a_kept_value_is_held_against_all_who_use_that():
    """Only the first test that asks runs the lines of a function whose value is kept; the others name the function."""
    path = "src/stillwell/hydrometry/gauging/profile.py"
    source = (ROOT / path).read_text(encoding="utf-8")
    weight = next(m for m in mutants(path, source) if m.names == ("WEIGHTS",))
    at = {text: i for i, text in enumerate(source.splitlines(), 1)}
    kept = next(i for text, i in at.items() if "in WEIGHTS.items()" in text)
    used = next(i for text, i in at.items() if "_method_of_mask()[" in text)
    lines = Lines(("tests/a.py::first", "tests/a.py::second"), (0.2, 0.1), {path: {kept: [0], used: [0, 1]}})
    assert selected(weight, lines) == ["tests/a.py::second", "tests/a.py::first"]


@pytest.mark.soak
@pytest.mark.parametrize("room", ["hydrometry", "assessment", "archive"])
def test_three_hundred_mutants(room, capsys):
    """Score of 300 seeded mutants of a room, printed; it is at least the goal, or the room's floor on its way there."""
    command = [sys.executable, "-m", "tests.mutation", room, "--sample", "300", "--seed", "1"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    with capsys.disabled():
        print("\n" + done.stdout)
    assert done.returncode == 0, done.stderr[-4000:]
    told = re.search(r"seed 1: (\d+\.\d) % of 300 mutants killed", done.stdout)
    assert told is not None
    assert float(told[1]) >= FLOORS.get(room, GOAL), done.stdout[-4000:]
