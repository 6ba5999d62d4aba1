# Everything runs in a virtual environment inside the tree. `make demo` and `make test` need nothing set up before.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
SEED ?= 1
COUNT ?= 200

.PHONY: demo test bench bench-truth check gallery lock clean

demo: $(VENV)/runtime.stamp
	$(BIN)/fairpanel demo demo-bench

test: $(VENV)/test.stamp
	$(BIN)/python -m pytest -n 2 --dist worksteal -q

check: $(VENV)/test.stamp
	$(BIN)/ruff check src tests benchmarks
	$(BIN)/ruff format --check src tests benchmarks
	$(BIN)/mypy

bench: $(VENV)/test.stamp
	$(BIN)/python -m benchmarks.speed

bench-truth: $(VENV)/runtime.stamp
	$(BIN)/python -m benchmarks.truth --seed $(SEED) --count $(COUNT)

gallery: $(VENV)/test.stamp
	$(BIN)/python tools/gallery.py

$(VENV)/runtime.stamp: requirements.lock pyproject.toml
	tools/set-up runtime $(PYTHON) $(VENV)
	touch $@

$(VENV)/test.stamp: $(VENV)/runtime.stamp requirements-dev.lock
	tools/set-up test $(PYTHON) $(VENV)
	touch $@

lock:
	$(BIN)/uv pip compile --universal --python-version 3.11 --generate-hashes \
	  --no-header --no-annotate --group build pyproject.toml -o requirements.lock
	$(BIN)/uv pip compile --universal --python-version 3.11 --generate-hashes \
	  --no-header --no-annotate --group build --group dev pyproject.toml -o requirements-dev.lock

clean:
	rm -rf $(VENV) demo-bench
