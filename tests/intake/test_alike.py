"""Codes that differ only by case or Unicode form are one code."""

from stillwell.intake.checks.lookalike_codes import alike, known_codes


def _alike(codes, kept=(), incoming=()):
    pairs = [[(code,) for code in part] for part in (codes, kept, incoming)]
    return {code[0]: other for code, other in alike(pairs[0], known_codes(*pairs[1:])).items()}


def test_a_code_that_differs_from_a_kept_one_by_case_or_form_names_it():
    """Case, full width and composed letters make no difference; what is written as known passes."""
    wide = "\uff29NV-ORM"
    assert _alike(["inv-orm", wide, "INV-ORM"], ["INV-ORM"]) == {"inv-orm": "INV-ORM", wide: "INV-ORM"}
    assert _alike(["U\u0308-1"], ["\u00dc-1"]) == {"U\u0308-1": "\u00dc-1"}


def test_other_codes_pass():
    """Another letter, digit or hyphen is another code."""
    assert _alike(["INV-ORN", "INV-ORM2", "INVORM"], ["INV-ORM"]) == {}


def test_within_a_batch_the_first_holds():
    """Where the archive has none of them, the first code registered is the known one."""
    assert _alike(["a", "A"], (), ["a", "A"]) == {"A": "a"}
    assert _alike(["a", "A"], ["A"], ["a", "A"]) == {"a": "A"}


def test_twins_of_the_archive_take_no_new_rows():
    """Of two kept codes that are alike, each is returned and names the other."""
    assert _alike(["a", "A"], ["a", "A"]) == {"a": "A", "A": "a"}
