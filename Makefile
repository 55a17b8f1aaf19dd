# A fresh machine needs Python 3.11 or newer and make. `make demo` first, `make test` before a change.
PYTHON ?= python3
UV ?= uv
BIN := .venv/bin
SOURCES := schemas workflow tests benchmarks requirements docs

.DEFAULT_GOAL := help
.PHONY: help demo test test-cluster test-bounds bench lint generated docs pictures lock clean
.DELETE_ON_ERROR:

help:
	@echo "make demo       set up, then make and run the invented study in demo-study/"
	@echo "make test       everything that must hold: make lint, then pytest"
	@echo "make test-cluster  the workflow under a SLURM that the tests start on this machine"
	@echo "make bench      the benchmarks in short, each beside its peer (some minutes)"
	@echo "make test-bounds  the oldest versions that pyproject.toml allows, and the newest there are (needs uv)"
	@echo "make lint       ruff, mypy, snakefmt and the lints of the workflow engine"
	@echo "make generated  bring the generated files back in step (DICTIONARY.md, docs/reference/, LICENCES.md)"
	@echo "make docs       the pages of docs/ as a site with search, in docs/_build/"
	@echo "make pictures   the pictures of the documents, from the finished demo (needs Chromium)"
	@echo "make lock       resolve the requirements anew (needs uv)"
	@echo "make clean      remove the environment, caches and the demo"

demo: .venv/.run-ready
	$(BIN)/nodeday demo demo-study

test: lint
	$(BIN)/pytest -n 2

test-cluster: .venv/.cluster-ready
	$(BIN)/pytest tests/cluster/under_slurm.py

# The long forms, with their aims, are in each program's first lines.
bench: .venv/.dev-ready
	$(BIN)/python benchmarks/decode.py 50
	$(BIN)/python benchmarks/captures.py 100
	$(BIN)/python benchmarks/layouts.py 50
	$(BIN)/python benchmarks/clock.py 1
	$(BIN)/python benchmarks/repair_speed.py --hours 1
	$(BIN)/python benchmarks/motion.py
	$(BIN)/python benchmarks/heart.py ramp
	$(BIN)/python benchmarks/query.py 100
	$(BIN)/python benchmarks/contract.py
	$(BIN)/python benchmarks/scale.py 100
	$(BIN)/python benchmarks/day.py day notebook --hours 1
# What reads, computes and writes, and the whole chain once, under both ends of what is allowed.
SMOKE = tests/test_tables.py tests/test_schemas.py tests/test_contract.py tests/test_layouts.py \
  tests/test_frames.py tests/test_containers.py tests/test_settings.py tests/test_workflow.py
BOUNDS = lowest-direct highest

test-bounds: .venv/.python
	@command -v $(UV) > /dev/null || \
	  { echo "make test-bounds needs uv: install it, or say make test-bounds UV=/path/to/uv."; exit 1; }
	for each in $(BOUNDS); do \
	  $(UV) venv --quiet --clear --python $(BIN)/python .venv/$$each && \
	  $(UV) pip install --quiet --python .venv/$$each/bin/python --resolution $$each -e . && \
	  $(UV) pip install --quiet --python .venv/$$each/bin/python pytest pytest-xdist hypothesis fastcrc && \
	  .venv/$$each/bin/python -m pytest -n 2 $(SMOKE) || exit 1; \
	done

lint: .venv/.dev-ready
	$(BIN)/ruff check $(SOURCES)
	$(BIN)/ruff format --check $(SOURCES)
	$(BIN)/snakefmt --check Snakefile workflow/rules
	$(BIN)/python tests/lint_workflow.py
	@$(TYPES)
	cd .venv/types && MYPYPATH=. ../bin/mypy --config-file ../../pyproject.toml -p nodeday

# mypy does not follow the mapping of schemas/ to nodeday.schemas, so it gets a tree of links.
define TYPES
rm -rf .venv/types && mkdir -p .venv/types/nodeday && \
ln -s "$(CURDIR)"/workflow/nodeday/* "$(CURDIR)/schemas" .venv/types/nodeday/
endef

generated: .venv/.run-ready
	$(BIN)/nodeday dictionary > DICTIONARY.md
	$(BIN)/python docs/reference_pages.py
	$(BIN)/python requirements/licences.py > requirements/LICENCES.md

docs: .venv/.docs-ready
	$(BIN)/sphinx-build --quiet -W --keep-going -b dirhtml docs docs/_build
	@echo "docs/_build/index.html"

pictures: .venv/.run-ready
	$(BIN)/python docs/pictures.py

# --- set-up ------------------------------------------------------------------------------

.venv/.python:
	@command -v $(PYTHON) > /dev/null || \
	  { echo "nodeday needs Python 3.11 or newer, and there is no $(PYTHON): install one, or say make PYTHON=/path/to/python."; exit 1; }
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
	  { echo "nodeday needs Python 3.11 or newer, and $(PYTHON) is $$($(PYTHON) -V 2>&1): install one, or say make PYTHON=/path/to/python."; exit 1; }
	@test -x $(BIN)/pip || $(PYTHON) -m venv .venv > .venv.log 2>&1 || \
	  { echo "$(PYTHON) cannot make a virtual environment (see .venv.log): install its venv and ensurepip modules, on Debian the package python3-venv."; exit 1; }
	@rm -f .venv.log
	@touch $@

.venv/.run-ready: requirements/run.txt pyproject.toml | .venv/.python
	$(BIN)/pip install --quiet --require-hashes -r requirements/run.txt
	$(BIN)/pip install --quiet --no-deps --no-build-isolation -e .
	@touch $@

.venv/.dev-ready: requirements/dev.txt .venv/.run-ready
	$(BIN)/pip install --quiet --require-hashes -r requirements/dev.txt
	@touch $@

.venv/.docs-ready: requirements/docs.txt .venv/.run-ready
	$(BIN)/pip install --quiet --require-hashes -r requirements/docs.txt
	@touch $@

.venv/.cluster-ready: requirements/cluster.txt .venv/.dev-ready
	$(BIN)/pip install --quiet --require-hashes -r requirements/cluster.txt
	@touch $@

COMPILE = $(UV) pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-header --no-emit-index-url

lock:
	@command -v $(UV) > /dev/null || \
	  { echo "make lock needs uv: install it, or say make lock UV=/path/to/uv."; exit 1; }
	$(COMPILE) pyproject.toml requirements/build.in -o requirements/run.txt
	$(COMPILE) pyproject.toml requirements/build.in --extra dev -o requirements/dev.txt
	$(COMPILE) pyproject.toml requirements/build.in --extra dev --extra slurm -o requirements/cluster.txt
	$(COMPILE) pyproject.toml requirements/build.in --extra docs -o requirements/docs.txt

clean:
	rm -rf .venv build dist *.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis demo-study
	find $(SOURCES) -name __pycache__ -prune -exec rm -rf {} +
