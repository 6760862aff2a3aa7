# Everything a fresh machine needs is make and one Python of 3.13, 3.12, 3.11 that runs, with venv. The newest of them is taken;
# PYTHON=... names another.
RUNS = for python in $(1); do if $$python -c 'import ensurepip, venv' > /dev/null 2>&1; then echo $$python; break; fi; done
PYTHON ?= $(shell $(call RUNS,python3.13 python3.12 python3.11))
OLDEST ?= $(shell $(call RUNS,python3.11 python3.12))
VENV ?= .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.installed
LOWEST := .venv-lowest
BENCH := PYTHONPATH=tests:tests/maker:tests/tables:data $(BIN)/python
PYTEST := $(BIN)/python -m pytest --numprocesses 2 --dist loadfile
QUICK := tests/physics tests/parts tests/learn tests/tables/test_reading.py tests/test_house.py tests/test_readme.py

.PHONY: demo test slow check lowest lock bench mutants million houses foreign nulls next docs readme demo-data clean

demo: $(STAMP)
	$(BIN)/matchkit rank P02

test: $(STAMP)
	$(PYTEST) -m "not slow"

slow: $(STAMP)
	$(PYTEST) --dist load -m slow

check: $(STAMP)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(PYTEST) -m "not slow" --cov=matchkit --cov-branch --cov-report=term-missing:skip-covered --cov-fail-under=95

lowest: $(LOWEST)/.installed
	$(LOWEST)/bin/python -m pytest --numprocesses 2 --dist loadfile -W default -m "not slow" $(QUICK)

lock:
	$(PYTHON) -m venv --clear $(VENV)-lock
	$(VENV)-lock/bin/python -m pip install --quiet --upgrade pip uv
	$(VENV)-lock/bin/uv pip compile --quiet --upgrade --no-header --universal --python-version 3.11 --generate-hashes \
	    pyproject.toml --group dev --output-file requirements/dev.txt
	$(VENV)-lock/bin/uv pip compile --quiet --upgrade --no-header --universal --python-version 3.11 --generate-hashes \
	    --resolution lowest-direct pyproject.toml --extra postgres --group lowest --output-file requirements/lowest.txt
	rm -rf $(VENV)-lock

bench: $(STAMP)
	$(BENCH) benchmarks/cost.py $(AGAINST)
	$(BENCH) benchmarks/walked.py
	$(BENCH) benchmarks/bench.py
	$(BENCH) benchmarks/maker.py
	$(BENCH) benchmarks/ghosts.py
	$(BENCH) benchmarks/intervals.py
	$(BENCH) benchmarks/pages.py
	$(BENCH) benchmarks/book.py

mutants: $(STAMP)
	$(BENCH) benchmarks/mutants.py

million: $(STAMP)
	$(BENCH) benchmarks/cost.py

houses: $(STAMP)
	$(BENCH) benchmarks/houses.py

foreign: $(STAMP)
	$(BENCH) benchmarks/foreign.py
	$(BENCH) benchmarks/influence.py

nulls: $(STAMP)
	$(BENCH) benchmarks/nulls.py

next: $(STAMP)
	$(BENCH) benchmarks/next_houses.py

docs: $(STAMP)
	$(BIN)/python docs/build.py

readme: $(STAMP)
	$(BIN)/python docs/readme.py

demo-data: $(STAMP)
	$(BIN)/python data/make_demo.py
	$(BIN)/python data/make_bench.py
	$(BIN)/python data/make_trials.py

clean:
	rm -rf $(VENV) $(LOWEST) $(VENV)-lock dist build .mypy_cache .ruff_cache .pytest_cache .hypothesis .import_linter_cache .coverage

# The lock first, then the project without looking for anything more; what the lock does not hold ends here.
define INSTALL
	@test -n "$(1)" || { echo "make: no Python from 3.11 to 3.13 with venv runs here; install one, or name it: make PYTHON=..."; exit 2; }
	$(1) -m venv --clear $(2)
	$(2)/bin/python -m pip install --quiet --upgrade pip
	$(2)/bin/python -m pip install --quiet --no-deps --require-hashes --requirement $(3)
	$(2)/bin/python -m pip install --quiet --no-deps --no-build-isolation --editable .
	@$(2)/bin/python -m pip check || { echo "make: $(3) does not hold all that pyproject.toml asks for; make lock writes it anew"; exit 1; }
	touch $@
endef

$(STAMP): pyproject.toml requirements/dev.txt
	$(call INSTALL,$(PYTHON),$(VENV),requirements/dev.txt)

$(LOWEST)/.installed: pyproject.toml requirements/lowest.txt
	$(call INSTALL,$(OLDEST),$(LOWEST),requirements/lowest.txt)
