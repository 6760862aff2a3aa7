# Everything a fresh machine needs is python3.11 with venv, and make.
PYTHON ?= python3.11
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.installed

.PHONY: demo test check bench million houses next docs readme demo-data clean

demo: $(STAMP)
	$(BIN)/matchkit rank P02 --different

test: $(STAMP)
	$(BIN)/python -m pytest --numprocesses 2 --dist loadfile

check: $(STAMP)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(MAKE) --no-print-directory test

bench: $(STAMP)
	$(BIN)/python tests/bench.py
	$(BIN)/python tests/bench_maker.py
	$(BIN)/python tests/bench_book.py

million: $(STAMP)
	$(BIN)/python tests/million.py

houses: $(STAMP)
	$(BIN)/python tests/houses.py

next: $(STAMP)
	$(BIN)/python tests/next_houses.py

docs: $(STAMP)
	$(BIN)/python docs/build.py

readme: $(STAMP)
	$(BIN)/python docs/readme.py

demo-data: $(STAMP)
	$(BIN)/python data/make_demo.py
	$(BIN)/python data/make_bench.py
	$(BIN)/python data/make_trials.py

clean:
	rm -rf $(VENV) dist build .mypy_cache .ruff_cache .pytest_cache .hypothesis .import_linter_cache .coverage

$(STAMP): pyproject.toml
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --upgrade pip
	$(BIN)/python -m pip install --quiet --editable . --group dev
	touch $(STAMP)
