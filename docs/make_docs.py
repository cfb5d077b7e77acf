"""Write the generated pages: the data dictionary and the list of finding codes."""

from __future__ import annotations

from pathlib import Path

from stillwell.assessment.findings_page import findings_document
from stillwell.pipeline.committing import office_policy
from stillwell.schemas import ARCHIVE_TABLES, DEPOSIT_TABLES
from stillwell.schemas.derive import dictionary

HERE = Path(__file__).parent
HEAD = "# Data dictionary\n\nGenerated from `schemas/` by `make docs`. Bold columns are the table's key.\n\n"


def data_dictionary() -> str:
    """Write the data dictionary of every table handed in and kept."""
    return HEAD + dictionary(DEPOSIT_TABLES, "What is handed in") + "\n" + dictionary(ARCHIVE_TABLES, "What is kept")


def findings() -> str:
    """Write the list of finding codes under the default policy."""
    return findings_document(office_policy()[0])


PAGES = {"data_dictionary.md": data_dictionary, "findings.md": findings}
"""Each generated page and what writes it."""

if __name__ == "__main__":
    for name, write in PAGES.items():
        (HERE / name).write_text(write(), encoding="utf-8")
