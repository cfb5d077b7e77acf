"""How much of a deposit is ever read, and why that much: each bound keeps time and memory within reach of a laptop."""

from __future__ import annotations

MIB = 2**20

MOST_BYTES = 512 * MIB
"""Of a deposit: 200,000 gaugings of 25 points are about 300 MiB of CSV, and everything is held in memory at once."""
MOST_FILES = 2000
"""Of a deposit, in a folder or a zip: a folder a day for five years."""
DEEPEST = 32
"""Folders inside folders: field offices nest by region, river, site, year and visit."""
LONGEST_PATH = 1000
"""Bytes of a path inside a deposit: it is sealed under the archive's own path, and a system takes 4096 in all."""

MOST_UNPACKED = 1024 * MIB
"""Of a zip, all files together: twice what a folder may hold, since packed deposits are the long ones."""
GREATEST_RATIO = 200
"""A zip that grows by more than this is taken for a bomb; field sheets shrink to a tenth or so."""
MOST_DIRECTORY = MIB
"""Bytes of a zip's table of contents: 2000 names of 500 bytes; it is read before anything in it can be judged."""

MOST_COLUMNS = 500
"""Of a table: the widest of ours has 43, and foreign files have some hundred."""
LONGEST_LINE = MIB
"""Bytes of a line of CSV: 500 columns of 2000 bytes; a line is cut into cells all at once."""
MOST_TABLE_ROWS = 6_000_000
"""Of a file of text: 200,000 gaugings of 25 points and some room; a row takes half a KiB while it is computed with."""
MOST_CODES = 250_000
"""Different gaugings, sites or meters in a file: more than the longest deposit has of gaugings."""
MOST_REASONS = 250_000
"""Against one deposit: one for each gauging of the longest; beyond it the deposit goes back whole."""

MOST_WORKBOOK = 256 * MIB
"""Of a workbook, unpacked: a million rows of eight cells."""
MOST_ROWS = 1_000_000
"""Of a sheet, and of a file a map describes whose rows are not lines: about what a spreadsheet holds, cell by cell."""
MOST_PART = 8 * MIB
"""Of any part of a workbook that is read whole, that is all but its sheets and its texts; styles are below 1 MiB."""
MOST_IN_ROW = 20_000
"""Elements in a row of a sheet or in one of its texts: 500 cells of a value, a formula and a few runs of text."""
MOST_BESIDE = 2_000_000
"""Elements beside those in rows and texts, the rows themselves included."""
LONGEST_TEXT = MIB
"""Bytes of XML between two tags."""

MOST_TOML = 256 * 1024
"""Bytes of a policy or an intake map: the shipped policy is 5 KiB, the longest map in use a few hundred lines."""
LONGEST_TOML_LINE = 2000
"""Characters of its lines: patterns that look for the line of a key take the square of it."""
