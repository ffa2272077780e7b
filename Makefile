# mustwatch: everything a person or the CI calls. `make demo` and `make test` set up what they need.
PYTHON ?= python3
VENV ?= .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.ready
NICE ?= nice
DEMO := .demo

.PHONY: demo test check lint format quick coverage unit bench bench-watch report faults adversary soak arm64 screenshots setup clean python release

python: # the same words, wherever it is missing
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
	  { echo "mustwatch needs Python 3.11 or newer; found $$($(PYTHON) --version). On Debian 12 and Raspberry Pi OS it is there."; exit 1; }
	@$(PYTHON) -c 'import ensurepip, venv' || \
	  { echo "Python's venv is missing: sudo apt-get install python3-venv"; exit 1; }

$(STAMP): pyproject.toml requirements.lock | python
	@echo "Setting up $(VENV) for development and tests: some minutes the first time, about 1.5 GB ..."
	@$(PYTHON) -m venv $(VENV)
	$(BIN)/pip install --quiet --require-hashes -r requirements.lock
	$(BIN)/pip install --quiet --no-deps --no-build-isolation -e .
	@touch $@

setup: $(STAMP)

# The demo has an environment of its own: what a cellar runs on, and its own small broker.
$(DEMO)/.ready: deploy/requirements.lock deploy/demo.lock | python
	@echo "Setting up the demo in $(DEMO): about a minute the first time ..."
	@$(PYTHON) -m venv $(DEMO)
	@$(DEMO)/bin/pip install --quiet --disable-pip-version-check --require-hashes -r deploy/requirements.lock -r deploy/demo.lock
	@printf '%s\n' "$(CURDIR)/daemon" "$(CURDIR)/simulators" >$$($(DEMO)/bin/python -c 'import sysconfig; print(sysconfig.get_path("purelib"))')/mustwatch.pth
	@touch $@

demo: $(DEMO)/.ready ## live three weeks of an invented cellar in a minute (ARGS="--port 9000 --bind 0.0.0.0")
	@$(DEMO)/bin/python -m mustwatch demo $(ARGS)

test: $(STAMP) ## set up and run all tests
	tests/run-all

check: lint coverage test ## exactly what the CI runs

lint: $(STAMP) ## format, lint, types, import rules
	$(BIN)/ruff format --check daemon simulators tests deploy
	$(BIN)/ruff check daemon simulators tests deploy
	$(BIN)/mypy
	$(BIN)/mypy --config-file tests/mypy.ini tests
	$(BIN)/lint-imports
	@command -v shellcheck >/dev/null || { echo "shellcheck is missing: sudo apt-get install shellcheck"; exit 1; }
	shellcheck deploy/*.sh deploy/compose/*.sh tests/run-all tests/containers/*.sh .ci/run

format: $(STAMP)
	$(BIN)/ruff format daemon simulators tests deploy
	$(BIN)/ruff check --fix daemon simulators tests deploy

quick: $(STAMP) ## the unit tests: half a minute of processor time
	$(BIN)/pytest -q tests/unit

coverage: $(STAMP) ## how much of the pure core the unit tests go through; below the floor it fails
	$(BIN)/pytest -q -p no:cacheprovider tests/unit --cov --cov-report=term

unit: $(STAMP) ## the quick ones
	$(BIN)/pytest -q tests/unit tests/property tests/contract tests/reference

bench: $(STAMP) ## speed and lightness, each beside its limit in one run
	$(BIN)/python tests/bench/run.py

bench-watch: $(STAMP) ## how often the findings are right, on simulated ferments and in worlds nobody tuned to
	$(BIN)/python tests/bench/watch_score.py
	$(NICE) $(BIN)/python tests/bench/watch_worlds.py $(ARGS)
	$(NICE) $(BIN)/python tests/bench/watch_whatif.py

report: $(STAMP) ## write the reports anew from the kept figures
	$(BIN)/python tests/report.py

faults: $(STAMP) ## break things on purpose and print what was lost
	$(BIN)/python tests/faults/run.py

adversary: $(STAMP) ## attack it as a hostile float, a tired Pi or a worn card would, and print what came of it
	$(BIN)/pytest -q tests/adversary

soak: $(STAMP) ## the long form of the same, and two hours of work in which nothing may grow
	$(BIN)/python tests/faults/run.py --long
	$(BIN)/python tests/faults/soak.py $(ARGS)

arm64: $(STAMP) ## the quick tests and one reading's way on an emulated 64-bit ARM (as root; slow)
	tests/containers/run-on-arm64.sh

screenshots: $(STAMP) ## pictures of every page at phone and desktop size
	$(BIN)/python tests/browser/screenshots.py

release: $(STAMP) ## the source archive and the wheel, with their checksums, in dist/
	rm -rf dist
	$(BIN)/python -m build --no-isolation
	cd dist && sha256sum -- * >SHA256SUMS

clean:
	rm -rf $(VENV) $(DEMO) dist build .mypy_cache .ruff_cache .pytest_cache .hypothesis
