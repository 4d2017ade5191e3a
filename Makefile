# Everything here works from a plain `python3 -m venv`; nothing is installed outside .venv and, for the fuzzer, .venv-fuzz.
SHELL := /bin/sh
.DEFAULT_GOAL := help
.DELETE_ON_ERROR:
MAKEFLAGS += --no-builtin-rules --no-print-directory

PYTHON ?= python3
VENV := .venv
PY := $(VENV)/bin/python
DEMO_ARGS ?=
TEST_ARGS ?=
# One more worker than cores: some tests wait for a press's pace.
WORKERS ?= $(shell expr $$(getconf _NPROCESSORS_ONLN) + 1)
FUZZ_ARGS ?=
MUTATE_ARGS ?=

# Hundreds of processes are started by the tests: without kept bytecode each would compile the service anew.
KEEP_BYTECODE := PYTHONDONTWRITEBYTECODE=

# The fuzzer has wheels for some versions of Python only: an environment of its own keeps it out of the way.
FUZZ_PYTHON ?= $(PYTHON)
FUZZ_VENV := .venv-fuzz
FUZZ_PY := $(FUZZ_VENV)/bin/python

# Stamps carry a checksum of what was installed, so a second call does nothing and a changed lock installs again.
key = $(shell cat pyproject.toml .ci/lock/$(1).txt 2>/dev/null | cksum | cut -d' ' -f1)
DEV := $(VENV)/.dev-$(call key,dev)
# dev.txt holds everything that demo.txt holds, with the same pins.
DEMO := $(if $(wildcard $(DEV)),$(DEV),$(VENV)/.demo-$(call key,demo))
FUZZ := $(FUZZ_VENV)/.fuzz-$(call key,fuzz)
PIP_ARGS := -m pip --disable-pip-version-check --no-input
PIP := $(PY) $(PIP_ARGS)

.PHONY: help demo test soak fuzz lint format mutate coverage bench-smoke schemas lock clean

help: ## show this list
	@awk -F ':.*## ' '/^[a-z-]+:.*## / { printf "  make %-12s %s\n", $$1, $$2 }' Makefile

demo: $(DEMO) ## run the simulated press with the service beside it (DEMO_ARGS="...")
	$(VENV)/bin/inksteward demo $(DEMO_ARGS)

test: $(DEV) ## run every test but the long ones (TEST_ARGS="...")
	$(KEEP_BYTECODE) $(PY) -m pytest -m "not soak" -n $(WORKERS) --dist loadfile --no-loadscope-reorder \
		--ignore=tests/benchmarks/bench_control.py --ignore=tests/benchmarks/bench_scan_to_proposal.py $(TEST_ARGS)

soak: $(DEV) $(FUZZ) ## run the long tests, then fuzz every parser
	HYPOTHESIS_PROFILE=explore $(PY) -m pytest -m soak $(TEST_ARGS)
	$(FUZZ_PY) -m tests.fuzz.run_atheris $(FUZZ_ARGS)

fuzz: $(FUZZ) ## fuzz every parser, a million inputs each (FUZZ_ARGS="--only config --runs 1000")
	$(FUZZ_PY) -m tests.fuzz.run_atheris $(FUZZ_ARGS)

lint: $(DEV) ## check form, style, types and which room imports which
	$(PY) -m ruff check .
	$(PY) -m ruff format --check .
	$(PY) -m mypy
	$(VENV)/bin/lint-imports

format: $(DEV) ## rewrite the source in the project's style
	$(PY) -m ruff check --fix .
	$(PY) -m ruff format .

mutate: $(DEV) ## plant faults in the interlock, the guard and the approval table; every one must be caught (MUTATE_ARGS="--every 4")
	$(PY) .ci/mutate.py $(MUTATE_ARGS)

coverage: $(DEV) ## run the tests and list the branches that none of them takes
	$(PY) -m pytest -m "not soak" --cov --cov-report=term-missing $(TEST_ARGS)

bench-smoke: $(DEV) ## time the benchmarks briefly
	$(PY) -m pytest tests/benchmarks --benchmark-enable --benchmark-only \
		--benchmark-min-rounds=3 --benchmark-max-time=0.2 --benchmark-warmup=off $(TEST_ARGS)

schemas: $(DEV) ## write config/schemas from the payload definitions
	$(VENV)/bin/inksteward schemas

# The lock is made with the lowest Python that the project supports.
COMPILE = cd $(CURDIR) && $(PY) -m piptools compile --quiet --generate-hashes --no-emit-index-url \
	--no-emit-find-links --no-emit-trusted-host --allow-unsafe --strip-extras --no-header $(LOCK_ARGS)
LOCK_ARGS ?=
lock: | $(PY) ## make .ci/lock anew from pyproject.toml (LOCK_ARGS=--upgrade for newer versions)
	@$(PY) -c 'import sys; sys.exit(sys.version_info[:2] != (3, 11))' \
		|| { echo "make lock: needs a .venv made with Python 3.11 (PYTHON=python3.11)" >&2; exit 1; }
	@$(PY) -c 'import piptools' 2>/dev/null || $(PIP) install --quiet pip-tools
	$(COMPILE) --all-extras -o .ci/lock/dev.txt pyproject.toml .ci/lock/build.in
	$(COMPILE) --extra demo -c .ci/lock/dev.txt -o .ci/lock/demo.txt pyproject.toml .ci/lock/build.in
	$(COMPILE) -c .ci/lock/dev.txt -o .ci/lock/runtime.txt pyproject.toml .ci/lock/build.in
	$(COMPILE) --extra demo -c .ci/lock/dev.txt -o .ci/lock/fuzz.txt pyproject.toml .ci/lock/build.in .ci/lock/fuzz.in

clean: ## remove .venv, .venv-fuzz, caches and the demo's output
	rm -rf $(VENV) $(FUZZ_VENV) demo-out train-out bench-out tune-out build dist .benchmarks .coverage .coverage.* .hypothesis .import_linter_cache \
		.mypy_cache .pytest_cache .ruff_cache htmlcov
	find . -name __pycache__ -type d -prune -exec rm -rf {} +

$(PY):
	@command -v $(PYTHON) >/dev/null \
		|| { echo "make: $(PYTHON) not found; on Debian: apt-get install python3 python3-venv" >&2; exit 1; }
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' \
		|| { echo "make: needs Python 3.11 or newer, $(PYTHON) is" "$$($(PYTHON) --version 2>&1)" >&2; exit 1; }
	@$(PYTHON) -m venv $(VENV) \
		|| { rm -rf $(VENV); echo "make: $(PYTHON) -m venv failed; on Debian: apt-get install python3-venv" >&2; exit 1; }

$(VENV)/.dev-% $(VENV)/.demo-%: | $(PY)
	$(PIP) install --quiet --no-deps --require-hashes -r .ci/lock/$(if $(findstring /.dev-,$@),dev,demo).txt
	$(PIP) install --quiet --no-build-isolation --no-deps -e .
	@rm -f $(VENV)/.dev-* $(VENV)/.demo-*
	@touch $@

$(FUZZ_PY):
	@$(FUZZ_PYTHON) -m venv $(FUZZ_VENV) \
		|| { rm -rf $(FUZZ_VENV); echo "make: $(FUZZ_PYTHON) -m venv failed: no fuzzing without it" >&2; exit 1; }

$(FUZZ_VENV)/.fuzz-%: | $(FUZZ_PY)
	@$(FUZZ_PY) $(PIP_ARGS) install --quiet --no-deps --require-hashes --only-binary atheris -r .ci/lock/fuzz.txt \
		|| { echo "make: no fuzzing: atheris could not be installed, see above; it has wheels for CPython 3.11 to 3.13 on" \
			"Linux x86_64 only, this is" "$$($(FUZZ_PY) --version 2>&1) on $$(uname -sm) (FUZZ_PYTHON=...)" >&2; exit 1; }
	$(FUZZ_PY) $(PIP_ARGS) install --quiet --no-build-isolation --no-deps -e .
	@rm -f $(FUZZ_VENV)/.fuzz-*
	@touch $@
