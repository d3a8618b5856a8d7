# Every target keeps its environment in .venv; CI calls the same targets.
PYTHON ?= python3
PY := .venv/bin/python
STAMP := .venv/.ready

.PHONY: help demo test lint page bench corpus docs wheel clean
help: ## show this list
	@grep -hE '^[a-z]+:.*##' $(MAKEFILE_LIST) | sed -E 's/:.*## /\t/' | expand -t 10

$(STAMP): pyproject.toml
	@if command -v uv >/dev/null 2>&1; then \
	  uv venv -q --allow-existing .venv && uv pip install -q --python $(PY) -e . --group test --group lint; \
	else \
	  $(PYTHON) -c 'import ensurepip' 2>/dev/null || { echo "python3 lacks venv: apt-get install python3-venv" >&2; exit 2; }; \
	  $(PYTHON) -m venv .venv && $(PY) -m pip install -q -U "pip>=25.1" && $(PY) -m pip install -q -e . --group test --group lint; \
	fi
	@$(PY) -m quietcopper.fields.ahead
	@touch $@

demo: $(STAMP) ## write the bundled example, review both revisions, compare them (demo-review/)
	$(PY) -m quietcopper demo -o demo-review

test: $(STAMP) ## run the tests
	$(PY) -m pytest -n auto

lint: $(STAMP) ## ruff, mypy, import order
	$(PY) -m ruff check . && $(PY) -m ruff format --check . && $(PY) -m mypy && .venv/bin/lint-imports

web/node_modules/.ready: web/package-lock.json
	cd web && npm ci --no-audit --no-fund --ignore-scripts && touch node_modules/.ready

page: web/node_modules/.ready ## build the page's script from web/ (needs node; the built one is committed)
	cd web && npm run build

bench: $(STAMP) ## accuracy and time of the solvers and of a whole review
	$(PY) -m benchmarks

corpus: $(STAMP) ## review the real boards (../shared/boards or QUIETCOPPER_BOARDS), show how findings changed
	$(PY) tools/corpus.py

docs: $(STAMP) ## regenerate the generated pages under docs/
	$(PY) tools/docs.py

wheel: $(STAMP) ## build the wheel and sdist into dist/
	$(PY) -m pip -q wheel --no-deps -w dist .

clean: ## remove the environment and what the targets wrote
	rm -rf .venv demo-review dist
