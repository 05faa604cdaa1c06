# Everything starts here: `make demo`, `make test`, `make help`.
# Each target sets up what it needs in .venv and can be the first one called.

PYTHON ?= python3
VENV   := .venv
BIN    := $(VENV)/bin
PIP    := $(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt
DEMO   ?= ridecheck-demo

# An environment holds absolute paths: in a copied or moved checkout it is made anew.
ifneq ($(shell cat $(VENV)/.made-for 2>/dev/null),$(CURDIR))
$(VENV)/.made-for: new-environment
endif

.DEFAULT_GOAL := help
.DELETE_ON_ERROR:
.PHONY: new-environment $(shell awk -F: '/^[a-z-]+:.*## /{print $$1}' Makefile)

help: ## this list
	@awk -F ':.*## ' '/^[a-z-]+:.*## / { printf "  make %-12s %s\n", $$1, $$2 }' Makefile

demo: $(VENV)/.core ## set up and screen the sample fleet
	$(BIN)/ridecheck demo $(DEMO)

test: $(VENV)/.test ## set up and run all tests
	$(BIN)/python -m pytest -n 2

test-mdf: $(VENV)/.mdf ## the tests of the optional reader of ASAM MDF files
	$(BIN)/python -m pytest tests/intake/readers/test_mdf.py

pages-test: $(VENV)/.pages ## the pages in a real browser (needs Chromium: apt-get install chromium)
	$(BIN)/python -m pytest tests/pages

picture: $(VENV)/.pages ## README's picture, made anew from the sample fleet (needs Chromium)
	$(BIN)/python tests/studies/picture.py

check: $(VENV)/.check ## style, types and import rules
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy --strict
	$(BIN)/lint-imports

wheel-test: $(VENV)/.made-for ## build the wheel, install it elsewhere and use it there
	bash tests/wheel.sh $(CURDIR)/$(BIN)/python

docs: $(VENV)/.test ## write again what README takes from the program
	$(BIN)/python tests/readme.py --write

format: $(VENV)/.check ## put the code into the house's form
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .

bench: $(VENV)/.core ## what reading, judging and asking cost on the sample fleet
	$(BIN)/python tests/studies/bench.py

scoreboard: $(VENV)/.test ## detection and false alarms on rides with known faults (slow)
	$(BIN)/python tests/studies/scoreboard.py

trace-board: $(VENV)/.test ## causes of cancels, held against the truth of simulated rides (slow)
	$(BIN)/python tests/studies/trace_board.py

calibration: $(VENV)/.test ## how far the suspects can be believed, and minutes saved (slow)
	$(BIN)/python tests/studies/calibration.py

proposals: $(VENV)/.test ## layouts drafted for logs nobody described (slow)
	$(BIN)/python tests/studies/proposals.py

bench-board: $(VENV)/.test ## controls at the bench: faults found on standing logs (slow)
	$(BIN)/python tests/studies/bench_board.py

proof-study: $(VENV)/.test ## how often a repair is called fixed, night by night (slow)
	$(BIN)/python tests/studies/proof.py

vanishing: $(VENV)/.test ## dangers in harmed logs, through to the verdict (slow)
	$(BIN)/python tests/studies/vanishing.py

fuzz: $(VENV)/.test ## ten thousand damaged logs (slow)
	$(BIN)/python tests/studies/fuzz.py

torture: $(VENV)/.test ## nights that are killed, full disks, two runs at once (slow)
	$(BIN)/python tests/studies/torture.py

mutants: $(VENV)/.test ## numbers of the program that no test holds (slow)
	$(BIN)/python tests/studies/mutants.py --write

register-replay: $(VENV)/.test ## random histories: does a danger ever leave unsigned? (slow)
	$(BIN)/python tests/studies/register_replay.py

constraints: $(VENV)/.made-for ## choose the versions in constraints.txt anew
	$(BIN)/python -m pip install --quiet --disable-pip-version-check uv
	$(BIN)/uv pip compile --quiet --universal --upgrade --no-emit-index-url --no-header \
	    --no-annotate --all-extras pyproject.toml | grep -v -e '^--' -e '://' > constraints.new
	mv constraints.new constraints.txt

clean: ## remove the environment, builds and caches; never a fleet folder
	rm -rf $(VENV) build dist .pytest_cache .mypy_cache .ruff_cache .import_linter_cache .hypothesis
	find . -name __pycache__ -type d -prune -exec rm -rf {} +

$(VENV)/.made-for:
	@command -v $(PYTHON) >/dev/null || { \
	    echo "$(PYTHON) was not found; ridecheck needs Python 3.11 or newer (make PYTHON=/path/to/python3)." >&2; exit 1; }
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { \
	    echo "ridecheck needs Python 3.11 or newer and $(PYTHON) is older (make PYTHON=/path/to/python3)." >&2; exit 1; }
	@$(PYTHON) -c 'import ensurepip, venv' 2>/dev/null || { \
	    echo "$(PYTHON) has no venv module; on Debian or Ubuntu: apt-get install python3-venv." >&2; exit 1; }
	$(PYTHON) -m venv --clear $(VENV)
	@printf '%s\n' "$(CURDIR)" > $@

# Installed in place, so an edited file counts at once; only these two files ask for more.
$(VENV)/.core: $(VENV)/.made-for pyproject.toml constraints.txt
	$(PIP) -e .
	@touch $@

$(VENV)/.test: $(VENV)/.made-for pyproject.toml constraints.txt
	$(PIP) -e '.[test]'
	@touch $(VENV)/.core $@

$(VENV)/.check: $(VENV)/.made-for pyproject.toml constraints.txt
	$(PIP) -e '.[test,check]'
	@touch $(VENV)/.core $(VENV)/.test $@

$(VENV)/.pages: $(VENV)/.made-for pyproject.toml constraints.txt
	$(PIP) -e '.[test,pages]'
	@touch $(VENV)/.core $(VENV)/.test $@

$(VENV)/.mdf: $(VENV)/.made-for pyproject.toml constraints.txt
	$(PIP) -e '.[test,mdf]'
	@touch $(VENV)/.core $(VENV)/.test $@
