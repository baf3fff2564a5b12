# Two commands do all set-up on a fresh machine with Python 3.11+ and make.
PYTHON ?= python3
VENV   ?= .venv
BIN    := $(VENV)/bin
STAMP  := $(VENV)/.installed

.PHONY: demo test lint types coverage lowest audit bench accuracy torture docs pictures clean

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
	$(BIN)/python -m pytest -n auto --dist worksteal

lint: $(STAMP)
	$(BIN)/ruff check .

types: $(STAMP)
	$(BIN)/mypy

# The suite again, watched: some three times as long as `make test`.
coverage: $(STAMP)
	$(BIN)/python -m coverage erase
	$(BIN)/python -m coverage run -m pytest -n auto --dist worksteal --timeout 600
	$(BIN)/python -m coverage combine --quiet
	$(BIN)/python -m coverage report

# The suite with every direct dependency at its lower bound: what pyproject.toml promises to work.
lowest:
	$(PYTHON) -m venv $(VENV)-lowest
	$(VENV)-lowest/bin/python -m pip install --quiet uv
	$(VENV)-lowest/bin/uv pip install --quiet --python $(VENV)-lowest/bin/python --resolution lowest-direct --editable '.[dev]'
	$(VENV)-lowest/bin/python -m pytest -n auto --dist worksteal

# In an environment of its own: the auditor's libraries are none of the project's.
audit:
	$(PYTHON) -m venv $(VENV)-audit
	$(VENV)-audit/bin/python -m pip install --quiet 'pip-audit>=2.7'
	$(VENV)-audit/bin/python .ci/audit.py requirements-dev.lock

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
	rm -rf $(VENV) $(VENV)-audit $(VENV)-lowest .coverage .coverage.* build dist .pytest_cache .mypy_cache .ruff_cache
