PYTHON ?= python3.11
VENV ?= .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.ready

.PHONY: setup setup-browser demo test check bench bench-memory soak sample docs clean

setup: $(STAMP)

$(STAMP): pyproject.toml constraints.txt
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --constraint constraints.txt --editable '.[dev]'
	touch $(STAMP)

# Debian's own browser, for the tests of the reading room; they run wherever it is present
setup-browser:
	apt-get install -y --no-install-recommends chromium fonts-noto-core

demo: setup
	$(BIN)/python -m stillwell.flows.demo

test: check
	$(BIN)/python -m pytest -m "not soak" -n auto

check: setup
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/python -m tests.house.vocabulary
	$(BIN)/codespell README.md DEVELOPERS.md CHANGELOG.md docs flows schemas src tests sample_archive

bench: setup
	$(BIN)/python tests/benchmarks/run.py

# what each command takes of memory at 100 sites x 10 years of 15 minutes; about an hour on two cores, and 10 GB of disk
bench-memory: setup
	$(BIN)/python -m tests.benchmarks.bench_memory --sites 100 --years 10

soak: setup
	$(BIN)/python -m pip install --quiet --constraint constraints.txt atheris
	$(BIN)/python -m pytest -m soak -n auto

sample: setup
	$(BIN)/python -m sample_archive.make_season
	$(BIN)/python -m sample_archive.make_archive

docs: setup
	$(BIN)/python docs/make_docs.py

clean:
	rm -rf $(VENV) build dist demo_archive
