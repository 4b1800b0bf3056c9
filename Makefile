# make demo    sets up, rebuilds a sample scan inside headless Blender, says where the results lie
# make test    sets up and runs all checks and tests
# See DEVELOPERS.md for the rest.

# Python of the library and its tests (3.11 or newer), of the bpy wheel (3.11 only) and of Open3D's wheel.
PYTHON ?= python3.11
BLENDER_PYTHON ?= python3.11
BENCH_PYTHON ?= python3.11

VENV := .venv
VENV_BLENDER := .venv-blender
VENV_BENCH := .venv-bench
PY := $(VENV)/bin/python
PY_BLENDER := $(VENV_BLENDER)/bin/python
PY_BENCH := $(VENV_BENCH)/bin/python
# The stamp carries the Python's name, so that another PYTHON= makes the environment anew.
STAMP := $(VENV)/.made-with-$(notdir $(PYTHON))
STAMP_BLENDER := $(VENV_BLENDER)/.made-with-$(notdir $(BLENDER_PYTHON))
# Blenders beside that one in which `make test-blenders` tries the extension.
BLENDERS := 4.2 5.0
STAMPS_BLENDERS := $(BLENDERS:%=$(VENV_BLENDER)-%/.made-with-$(notdir $(BLENDER_PYTHON)))
STAMP_BENCH := $(VENV_BENCH)/.made-with-$(notdir $(BENCH_PYTHON))
PIP_OPTIONS := --quiet --disable-pip-version-check

export PIP_ROOT_USER_ACTION := ignore
export MPLBACKEND := Agg
# Matrices are small: threads in BLAS that wait for each other cost tests many times what they save.
export OPENBLAS_NUM_THREADS := 1
# What somebody's shell adds to Python's path would stand before the environments.
unexport PYTHONPATH PYTHONHOME

.PHONY: setup demo test test-library test-slow test-extension test-blenders lint extension bench
.PHONY: bench-quick bench-speed bench-stock bench-donor bench-shelf bench-patch bench-test scenes clean
.DELETE_ON_ERROR:

setup: $(STAMP) $(STAMP_BLENDER)

$(STAMP): pyproject.toml tools/venv.sh
	tools/venv.sh $(PYTHON) $(VENV)
	$(PY) -m pip install $(PIP_OPTIONS) --editable '.[test]'
	touch $@

$(STAMP_BLENDER): pyproject.toml tools/venv.sh tools/extra.py tools/system_libraries.sh
	tools/venv.sh $(BLENDER_PYTHON) $(VENV_BLENDER)
	$(PY_BLENDER) tools/extra.py blender > $(VENV_BLENDER)/requirements.txt
	$(PY_BLENDER) -m pip install $(PIP_OPTIONS) --requirement $(VENV_BLENDER)/requirements.txt
	tools/system_libraries.sh $(PY_BLENDER) bpy __init__.so
	touch $@

$(STAMPS_BLENDERS): $(VENV_BLENDER)-%/.made-with-$(notdir $(BLENDER_PYTHON)): \
		pyproject.toml tools/venv.sh tools/extra.py tools/system_libraries.sh
	tools/venv.sh $(BLENDER_PYTHON) $(VENV_BLENDER)-$*
	$(VENV_BLENDER)-$*/bin/python tools/extra.py blender-$* > $(VENV_BLENDER)-$*/requirements.txt
	$(VENV_BLENDER)-$*/bin/python -m pip install $(PIP_OPTIONS) --requirement $(VENV_BLENDER)-$*/requirements.txt
	tools/system_libraries.sh $(VENV_BLENDER)-$*/bin/python bpy __init__.so
	touch $@

$(STAMP_BENCH): pyproject.toml tools/venv.sh tools/system_libraries.sh
	tools/venv.sh $(BENCH_PYTHON) $(VENV_BENCH)
	$(PY_BENCH) -m pip install $(PIP_OPTIONS) --editable '.[bench]'
	tools/system_libraries.sh $(PY_BENCH) open3d 'pybind.cpython-*.so'
	touch $@

scenes: $(STAMP)
	$(PY) sample_scenes/make_scenes.py

demo: setup scenes
	$(PY_BLENDER) addon/demo.py

# pytest ends with 5 when it ran no test, which fails here as it should.
test: lint test-library test-extension

test-library: $(STAMP)
	$(PY) -m pytest tests -m 'not slow' --numprocesses auto

test-slow: $(STAMP)
	$(PY) -m pytest tests -m slow

test-extension: $(STAMP_BLENDER)
	$(PY_BLENDER) -m pytest tests/addon

# In all Blenders that have a bpy wheel for this Python; each takes as long as test-extension.
test-blenders: test-extension $(STAMPS_BLENDERS)
	for version in $(BLENDERS); do $(VENV_BLENDER)-$$version/bin/python -m pytest tests/addon || exit; done

lint: $(STAMP)
	$(VENV)/bin/ruff check .
	$(VENV)/bin/ruff format --check .
	$(VENV)/bin/mypy

extension: setup
	$(PY) addon/build.py --platform all

# BENCH='--families kept_out --tools none' and the like; the head of bench_accuracy.py says what there is.
bench: $(STAMP_BENCH) $(STAMP_BLENDER)
	$(PY_BENCH) tests/benchmarks/bench_accuracy.py --blender-python $(PY_BLENDER) $(BENCH)
	$(PY_BENCH) tests/benchmarks/bench_speed.py

bench-quick: $(STAMP_BENCH) $(STAMP_BLENDER)
	$(PY_BENCH) tests/benchmarks/bench_accuracy.py --blender-python $(PY_BLENDER) --quick --name quick $(BENCH)

bench-speed: $(STAMP_BENCH)
	$(PY_BENCH) tests/benchmarks/bench_speed.py

# A stock map beside closest-point queries of general libraries.
bench-stock: $(STAMP_BENCH)
	$(PY_BENCH) tests/benchmarks/bench_stock.py

bench-donor: $(STAMP)
	$(PY) tests/benchmarks/bench_donor.py

bench-shelf: $(STAMP)
	$(PY) tests/benchmarks/bench_shelf.py

# Tests of the general tools; `make test` runs those that need no library of this environment. The plugins
# that Open3D brings along for pytest warn, and warnings are errors.
bench-patch: $(STAMP_BENCH)
	$(PY_BENCH) tests/benchmarks/bench_patch.py --margins 8 4

bench-test: $(STAMP_BENCH) $(STAMP_BLENDER)
	PYTEST_DISABLE_PLUGIN_AUTOLOAD=1 GAPLOFT_BLENDER_PYTHON=$(PY_BLENDER) \
		$(PY_BENCH) -m pytest tests/test_benchmarks_tools.py tests/test_benchmarks_patch.py

clean:
	rm -rf $(VENV) $(VENV_BLENDER) $(VENV_BLENDER)-* $(VENV_BENCH) .cache build dist demo-out .pytest_cache .mypy_cache .ruff_cache
	rm -f sample_scenes/*/*.stl sample_scenes/*/truth.ply
	find . -name __pycache__ -type d -prune -exec rm -rf {} +
