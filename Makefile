# Each target does its own set-up: a machine needs Python 3.11 or newer and make, nothing else.
PYTHON ?= python3
RECORDS ?=
STORE ?=
PERIOD ?=
OUT ?= reports
JOBS ?= 2
CLUSTER ?=
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready
TESTED := $(VENV)/.ready-to-test
INSTALL := $(BIN)/python -m pip install --quiet --no-compile
export PIP_DISABLE_PIP_VERSION_CHECK := 1

.PHONY: help report test test-long docs notebooks lint lab bench calibrate mutants lock clean

help:  ## list what can be made
	@grep -E '^[a-z-]+: .*##|^[a-z-]+:  ##' $(MAKEFILE_LIST) | sed -E 's/:.*## /\t/' | expand -t 12

$(READY): requirements.txt pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(0 if sys.version_info >= (3, 11) else "ventbook needs Python 3.11 or newer; set PYTHON=/path/to/python3.11")'
	test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(INSTALL) --require-hashes -r requirements.txt
	$(INSTALL) --no-deps --no-build-isolation --editable .
	@touch $@

# Compiled here and not at their first import, where a package's own warning would fail a test.
$(TESTED): $(READY) requirements-test.txt
	$(INSTALL) --require-hashes -r requirements-test.txt
	-$(BIN)/python -W ignore -m compileall -q -j 2 $(VENV)/lib >/dev/null 2>&1
	@touch $@

report: $(READY)  ## make all reports: of the demo, or RECORDS=folder [STORE=folder or s3://bucket/path] [PERIOD=2026Q3] [OUT=folder] [CLUSTER=address]
	@$(BIN)/python -m ventbook make-reports $(if $(RECORDS),--records "$(RECORDS)") $(if $(STORE),--store "$(STORE)") $(if $(PERIOD),--period "$(PERIOD)") --out "$(OUT)" --jobs $(JOBS) $(if $(CLUSTER),--cluster "$(CLUSTER)")

test: $(TESTED) lint  ## run the tests and compare the notebooks
	$(BIN)/python -m pytest -n 2 --dist loadfile
	PYTHONPATH=tests $(BIN)/python -m pytest -q -n 2 --dist loadfile -p nbval_blocks --nbval --nbval-current-env --nbval-sanitize-with tests/notebooks.cfg notebooks/*.ipynb

docs: $(READY)  ## pages of the functions to call from Python, in docs/
	$(BIN)/python -m pip install --quiet --no-build-isolation --editable '.[docs]'
	$(BIN)/python .ci/make_docs.py

test-long: test  ## the same, and what is longer: every report on every kind of store, more fleets
	$(BIN)/python -m pytest -n 2 --dist loadfile -m long

notebooks: $(READY)  ## run every notebook on the demo and keep what it says, for the repository
	$(BIN)/python .ci/refresh_notebooks.py

lint: $(TESTED)  ## ruff and mypy
	$(BIN)/ruff check lib tests bench calibrate
	$(BIN)/ruff format --check lib tests bench calibrate
	$(BIN)/mypy

lab: $(READY)  ## open the notebooks in JupyterLab (this machine only)
	$(BIN)/python -m ventbook lab

bench: $(READY)  ## speed and memory, side by side in one run
	$(BIN)/python -m bench

calibrate: $(TESTED)  ## coverage and false-alarm rates on simulated fleets (hours)
	$(BIN)/python -m calibrate --jobs $(JOBS) $(if $(CLUSTER),--cluster "$(CLUSTER)")

mutants: $(TESTED)  ## small wrong changes to the numeric code, one at a time: do the tests notice (minutes)
	$(BIN)/python -m calibrate mutants --jobs $(JOBS)

LOCK := uv pip compile --universal --generate-hashes --python-version 3.11 --no-header --no-emit-index-url --no-emit-find-links --quiet pyproject.toml
lock:  ## rewrite the two requirements files, to run and to test, from the ranges in pyproject.toml (needs uv)
	$(LOCK) --extra test -o requirements-test.txt
	$(LOCK) --constraint requirements-test.txt -o requirements.txt

clean:  ## remove what was made
	rm -rf $(VENV) docs .pytest_cache .mypy_cache .ruff_cache .hypothesis
