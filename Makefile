# Two targets for a newcomer: `make demo` and `make test`. The rest serves them.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
INSTALL := $(BIN)/python -m pip install --quiet --disable-pip-version-check --no-warn-script-location

.PHONY: calibration demo docs test lint format types benchmark fuzz clean

demo: $(VENV)/.installed
	@$(BIN)/framecheck demo --into demo-night

test: $(VENV)/.installed-dev
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/python -m pytest -n auto -q

lint: $(VENV)/.installed-dev
	$(BIN)/ruff check .
	$(BIN)/mypy

format: $(VENV)/.installed-dev
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

calibration: $(VENV)/.installed-dev
	$(BIN)/python tests/calibration/run.py --seed 1 --nights 400 --fit
	$(BIN)/python tests/calibration/run.py --seed 7 --nights 120

docs: $(VENV)/.installed-dev
	$(BIN)/python -m sphinx --fail-on-warning --keep-going -b html docs docs/_build

benchmark: $(VENV)/.installed-dev
	$(BIN)/python benchmarks/measure_speed.py

fuzz: $(VENV)/.installed-dev
	$(BIN)/python tests/fuzz/campaign.py --mutants 20000 --seed 1

$(BIN)/python:
	@echo "Setting up framecheck in $(VENV), once. That takes a minute or two."
	@$(PYTHON) -m venv $(VENV)
	@$(INSTALL) --upgrade pip

$(VENV)/.installed: $(BIN)/python pyproject.toml
	@$(INSTALL) --editable .
	@touch $@

$(VENV)/.installed-dev: $(BIN)/python pyproject.toml
	@$(INSTALL) --editable '.[dev]'
	@touch $@ $(VENV)/.installed

clean:
	rm -rf $(VENV) build dist *.egg-info demo-night docs/_build docs/generated docs/kept
