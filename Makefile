# `make demo` and `make test` are all a newcomer needs; each installs what it needs.
export PATH := $(CURDIR)/.venv/bin:$(PATH)

.PHONY: demo test lint unit integration images system images-and-system faults measure docs setup
.PHONY: programs arm64 browser pictures power-cuts

demo: setup
	python tools/demo.py

test: lint unit integration images-and-system

# .pre-commit-config.yaml names the linters; `pre-commit install` runs them before each commit.
lint: setup
	pre-commit run --all-files --color never

# A test that talks to real sockets may miss its time on a busy machine: it is run once more, and
# named in the summary.
PYTEST := python -m pytest -q -rR --reruns 1

# Needs nothing beside what `setup` brings. All tests of a file run in one process, which makes the
# file's fixtures once.
unit: setup
	$(PYTEST) -n 4 --dist loadfile tests/unit

# Real SSH and Ansible, network namespaces, daemons; no emulator, and no base that is built.
integration: setup programs browser
	$(PYTEST) -n 4 tests/integration

# Cards, the bases that they are made from, and a fresh Debian; no emulator of a boat.
images: setup programs arm64
	$(PYTEST) --durations 10 tests/images

# On the bench. An emulated kernel hangs once in some thirty starts on a busy machine, and starts
# again by itself: a test that met that is run once more, and named in the summary.
system: setup programs arm64
	$(PYTEST) --durations 10 tests/system $(addprefix --ignore ,$(WHOLE_PUSHES))

# Both, in two processes, whose emulated boats have one processor each. tests/system/order.py says
# which files begin.
images-and-system: setup programs arm64
	$(PYTEST) -n 2 --dist loadfile --no-loadscope-reorder --durations 10 tests/images tests/system \
		$(addprefix --ignore ,$(WHOLE_PUSHES))

# Every fault that may befall a push, or a write to the card: longer than what runs at each change.
# The faults that proofs must see, tests/system/faults, are part of `system`.
WHOLE_PUSHES := tests/system/cut_off

# Many more states of a card whose power is cut than `system` looks at. The seed is printed with
# each state that fails.
power-cuts: export POWER_CUT_STATES ?= 600
power-cuts: setup programs
	$(PYTEST) -s --durations 10 tests/system/test_power_cuts.py tests/system/cut_off/test_crash_states.py

faults: setup programs arm64
	$(PYTEST) --durations 10 $(WHOLE_PUSHES)

measure: setup programs arm64
	python -m tests.measure

# The reference below docs/, from the commands and the profile's models.
docs: setup
	python tools/docs.py

# README's pictures, from the example club.
pictures: setup browser
	python tools/pictures.py

setup:
	@tools/setup

# What the tests run beside that, unpacked and not installed.
programs:
	@tools/private-programs

# The browser in which tests look at the boat's page.
browser: setup
	@tools/packages tools/browser-packages.txt

# The system tests build bases of arm64 boards. Until the next start of this machine.
arm64: programs
	@arch-test arm64 > /dev/null || { \
		echo "make: registering arm64 programs with the kernel until its next start"; \
		if [ "$$(id -u)" -eq 0 ]; then tools/enable-arm64; else sudo tools/enable-arm64; fi; }
