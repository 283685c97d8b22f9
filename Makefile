# SPDX-License-Identifier: MIT
# Each target sets up what it needs (scripts/environment.sh), and no more.

# A second environment beside it: make test PROVISION_VENV=.venv-newest PROVISION_PYTHON=python3.13
PROVISION_VENV ?= .venv
PYTHON = $(PROVISION_VENV)/bin/python
CC ?= cc
# What an author's own build may ask for: the stub and the generated code stay silent under it.
WARNINGS = $(shell sed -n "s/^WARNINGS = //p" firmware_stub/Makefile)

.PHONY: demo preview test quick check dist env stub emulated-board regenerate fuzz branches mutants bench clean

# The firmware stub, compiled, plays a freshly flashed board; the dialog sets it up.
demo: env-demo
	@$(MAKE) --no-print-directory stub
	$(PYTHON) scripts/demo.py

# The same dialog as a page in the browser, with a virtual board behind it, until Ctrl-C.
preview: env-preview
	$(PYTHON) -m provision page schemas/orchard-frost-alarm.toml --serve \
	    --networks schemas/orchard.networks

# ARGS reaches pytest: make test ARGS="-k line". Without a C compiler the tests of the stub skip.
test: env-test
	@if command -v $(CC) >/dev/null; then $(MAKE) --no-print-directory stub; \
	else echo "make: no C compiler here, so the tests that need the compiled stub skip"; fi
	$(PYTEST) $(if $(AFTER_QUICK),$(addprefix --ignore=,$(QUICK))) $(ARGS)

# Half as many workers again as there are processors, since half of the time tests wait for a line.
JOBS ?= $(shell n=$$(nproc 2>/dev/null || echo 2); echo $$((n + (n + 1) / 2)))
PYTEST = $(PYTHON) -m pytest -n $(JOBS) --dist worksteal

# What is known within minutes: make check, and the tests that take no browser, emulated machine,
# compiled stub, or wheel. `make test AFTER_QUICK=1` runs the others.
QUICK = $(addprefix tests/,author board client contract link schema schema_file \
    test_architecture.py test_catalogue.py test_words.py)
quick: env-quick
	$(MAKE) --no-print-directory check
	$(PYTEST) $(QUICK)

# -O2 because some warnings come from the optimiser. With no source at all the compiler complains.
check: env-check
	$(PYTHON) -m ruff format --check .
	$(PYTHON) -m ruff check .
	$(PYTHON) -m mypy
	@if [ -x node_modules/.bin/tsc ]; then npm run --silent check; \
	else echo "make: no node_modules here, so the page's scripts go unchecked"; fi
	find firmware_stub \( -name build -o -name mps2 \) -prune -o -name '*.c' -print | sort | xargs -n 1 \
	    $(CC) $(WARNINGS) -O2 $$(find firmware_stub -name mps2 -prune -o -name '*.h' -print | sed 's|^|-I|; s|/[^/]*$$||' | sort -u) \
	    -c -o /dev/null
	@if command -v arm-none-eabi-gcc >/dev/null; then \
	    $(MAKE) --no-print-directory -C firmware_stub PORT=mps2 warnings; \
	else echo "make: no arm-none-eabi-gcc here, so the port to the emulated board goes unchecked"; fi
	@if command -v avr-gcc >/dev/null; then \
	    $(MAKE) --no-print-directory -C firmware_stub PORT=avr warnings; \
	else echo "make: no avr-gcc here, so nobody looks how the stub compiles where int has 16 bits"; fi
	$(PYTHON) scripts/regenerate.py --check

# Each fuzz target for so many seconds: make fuzz SECONDS=3600. The corpus stays, in fuzz-corpus/.
SECONDS ?= 60
fuzz: env-fuzz
	$(PYTHON) scripts/fuzz.py --seconds $(SECONDS)

# Which branches of the stub and of the Python that matters most their tests take.
branches: env-branches
	$(PYTHON) scripts/branches.py

# The code changed at one place after the other: a test must notice. Less than 20 minutes, or as ARGS
# says: make mutants ARGS="--since main --minutes 5"
mutants: env-mutants
	nice $(PYTHON) scripts/mutate.py $(ARGS)

# What is promised of speed and size, measured; one part alone: make bench ARGS=line
bench: env-bench
	$(PYTHON) -m scripts.bench $(ARGS)

# Wheel and source archive, in dist/, as they are published.
dist: env-dist
	rm -rf dist
	$(PYTHON) -m build --outdir dist .

# For work on the project: what the tests need. The others call it with the name of their target.
env: env-test
env-%:
	@scripts/environment.sh $*

stub:
	@command -v $(CC) >/dev/null || { echo "make: no C compiler here: install gcc"; exit 1; }
	$(MAKE) --no-print-directory -C firmware_stub

# The same firmware on an emulated microcontroller, as a serial port, until Ctrl-C.
emulated-board: env-emulated-board
	$(MAKE) --no-print-directory -C firmware_stub PORT=mps2
	$(PYTHON) scripts/emulated_board.py --flash firmware_stub/build/mps2/flash

# Everything that is made from shared/ and schemas/, and checked in.
regenerate: env-regenerate
	$(PYTHON) scripts/regenerate.py

# Leaves what git tracks.
clean:
	rm -rf .venv .venv-newest node_modules dist firmware_stub/build .coverage htmlcov .hypothesis .mypy_cache .pytest_cache .ruff_cache
	find . -name __pycache__ -type d -prune -exec rm -rf {} +
