# Two commands do all set-up on a fresh machine with Python 3.11+ and make.
PYTHON ?= python3
VENV   ?= .venv
BIN    := $(VENV)/bin
STAMP  := $(VENV)/.installed

.PHONY: demo test lint types check bench accuracy torture docs pictures clean

$(STAMP): pyproject.toml
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --upgrade pip
	$(BIN)/python -m pip install --quiet --editable '.[dev]'
	touch $(STAMP)

demo: $(STAMP)
	$(BIN)/windstill demo

test: $(STAMP)
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/python -m pytest -n auto

lint: $(STAMP)
	$(BIN)/ruff check .

types: $(STAMP)
	$(BIN)/mypy

accuracy: $(STAMP)
	$(BIN)/python reports/accuracy.py

bench: $(STAMP)
	$(BIN)/python reports/speed.py

torture: $(STAMP)
	$(BIN)/python reports/reliability.py

docs: $(STAMP)
	$(BIN)/mkdocs build --strict

pictures: $(STAMP)
	$(BIN)/python docs/pictures.py

clean:
	rm -rf $(VENV) build dist .pytest_cache .mypy_cache .ruff_cache
