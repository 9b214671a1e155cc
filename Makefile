# make demo    lay out the demo site in ./demo, run the whole job, say where the page is
# make test    all tests: those of arrays and files on all processors, then those in a browser, one by one
# make check   format, lint, types, import contracts
# make docs    the documentation as pages to read, in build/docs
# make bench   the benchmarks, each a ratio against a reference in the same run
# make bench-others   the ground beside all libraries that do parts of it, in .venv-bench; writes its document
PYTHON ?= python3
VENV := .venv
ifeq ($(OS),Windows_NT)
BIN := $(VENV)/Scripts
else
BIN := $(VENV)/bin
endif

.PHONY: demo test check docs bench bench-others clean

$(VENV)/installed: pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit("washgrade needs Python 3.11 or newer; found " + sys.version.split()[0] + ". Try: make PYTHON=python3.12 demo") if sys.version_info < (3, 11) else None'
	@test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	@echo "Installing washgrade into $(VENV) (a few minutes the first time) ..."
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --upgrade "pip>=25.1"
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable .
	@touch $@

$(VENV)/installed-test: $(VENV)/installed
	@echo "Installing what the tests need ..."
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --group test
	@touch $@

demo: $(VENV)/installed
	@$(BIN)/washgrade demo demo

test: $(VENV)/installed-test
	$(BIN)/python -m pytest -q -n auto --maxprocesses 4 --dist loadfile --ignore tests/page --ignore tests/desk
	$(BIN)/python -m pytest -q tests/page tests/desk

check: $(VENV)/installed-test
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports

$(VENV)/installed-docs: $(VENV)/installed
	@echo "Installing what the documentation needs ..."
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --group docs
	@touch $@

docs: $(VENV)/installed-docs
	@$(BIN)/python docs/reference.py build/docs-source
	@$(BIN)/python -m sphinx --quiet --fail-on-warning --keep-going build/docs-source build/docs
	@echo "The documentation is build/docs/index.html"

bench: $(VENV)/installed-test
	$(BIN)/python benchmarks/ground.py
	$(BIN)/python benchmarks/grade.py
	$(BIN)/python benchmarks/page.py
	$(BIN)/python benchmarks/travel.py
	$(BIN)/python benchmarks/network.py
	$(BIN)/python benchmarks/tiles.py
	$(BIN)/python benchmarks/storm.py
	$(BIN)/python benchmarks/replay.py
	$(BIN)/python benchmarks/day.py

bench-others:
	@test -x .venv-bench/bin/python || $(PYTHON) -m venv .venv-bench
	@.venv-bench/bin/python -m pip install --quiet --disable-pip-version-check --upgrade "pip>=25.1"
	@.venv-bench/bin/python -m pip install --quiet --disable-pip-version-check --editable . --group bench
	.venv-bench/bin/python benchmarks/ground_others.py --cells 4000000 25000000 100000000 --write

clean:
	rm -rf $(VENV) .venv-bench demo build dist
