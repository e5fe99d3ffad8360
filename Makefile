# make demo   set everything up, play the main job on a ready machine, and say how to work it in the app
# make test   set everything up and run all checks and tests
# make bench  measure against other engines, other ways of working and the goals; hours, see docs/bench.md
# make lint   style and types only
# make pages  write the generated pages under docs/ anew
# make pictures  take the README's pictures of the app anew
# make lock   write the lock files anew
# make clean  remove the environment and everything generated

VENV := .venv
PYTHON := $(VENV)/bin/python
READY := $(VENV)/.ready
READY_FOR_BENCH := $(VENV)/.ready-for-bench

# Two linear-algebra threads on busy cores make small dense work up to 60 times slower.
export OPENBLAS_NUM_THREADS := 1

.PHONY: demo test bench lint pages pictures lock client clean

demo: client
	@$(VENV)/bin/halfsplit demo
	@echo
	@echo "The same job in the app, to be worked by hand: $(VENV)/bin/halfsplit serve --demo --open"

test: client
	@scripts/system-packages ngspice chromium postgresql
	$(VENV)/bin/ruff check .
	$(VENV)/bin/mypy
	$(PYTHON) scripts/client_build.py --check
	$(PYTHON) -m pytest -n 2 --dist loadfile --durations=15 $(TESTS)

lint: $(READY)
	$(VENV)/bin/ruff check .
	$(VENV)/bin/mypy
	$(PYTHON) scripts/client_build.py --check

BENCHES ?= $(wildcard bench/bench_*.py)

bench: $(READY_FOR_BENCH)
	@for each in $(BENCHES); do echo "$$each"; $(PYTHON) "$$each" || exit 1; done

pages: $(READY)
	$(PYTHON) scripts/problems_page.py
	$(PYTHON) scripts/machine_file_page.py
	$(PYTHON) scripts/commands_page.py
	$(PYTHON) scripts/unseen_page.py
	$(PYTHON) scripts/interface_description.py
	$(PYTHON) scripts/checked_against.py

# The two pictures of the README, taken from the app with the demo's job.
pictures: client
	@scripts/system-packages chromium
	$(PYTHON) scripts/pictures.py

lock: $(READY)
	scripts/lock

$(READY): pyproject.toml hatch_build.py $(wildcard src/halfsplit/circuit/kernel/*.[ch]) requirements.lock requirements-uv.lock requirements-nodeps.lock requirements-node.lock
	@scripts/system-packages cc
	@scripts/make-environment $(VENV)
	@touch $@

$(READY_FOR_BENCH): $(READY) requirements-bench.lock
	@scripts/system-packages ngspice
	@$(VENV)/bin/uv pip install --quiet --python $(PYTHON) --require-hashes -r requirements-bench.lock
	@touch $@

# The web app is built again when its sources changed.
client: $(READY)
	@$(PYTHON) scripts/client_build.py

clean:
	rm -rf src/halfsplit/web/built src/halfsplit/web/client/node_modules
	rm -rf $(VENV) build dist out .pytest_cache .mypy_cache .ruff_cache .hypothesis .coverage
	find src tests scripts bench -name __pycache__ -type d -prune -exec rm -rf {} + 2>/dev/null || true
