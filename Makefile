# `make demo` and `make test` are all a newcomer needs; each installs what it needs.
export PATH := $(CURDIR)/.venv/bin:$(PATH)

.PHONY: demo test lint unit system measure setup

demo: setup
	python tools/demo.py

test: lint unit system

lint: setup
	ruff check .
	ruff format --check .
	mypy
	yamllint --strict .
	ansible-lint --offline --profile production roles
	shellcheck $$(git ls-files -z | xargs -0 grep -lE '^\#!/bin/(ba)?sh')

unit: setup
	python -m pytest -q -n 4 tests/unit

system: setup
	python -m pytest -q tests/system

measure: setup
	python -m tests.measure

setup:
	@tools/setup
