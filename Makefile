# The two commands of the README. Each sets up what it needs (python3 with venv) and runs.
.PHONY: study test
.DELETE_ON_ERROR:

CORES ?= 2
SETTINGS ?= config
PROFILE ?= laptop
# A seed: outcomes are permuted, for building the analysis unseen (config/README.md).
BLINDED ?=

ENVIRONMENT := .venv/ready

# One thread for linear algebra: the same sums in the same order, and small fits run faster.
export OPENBLAS_NUM_THREADS := 1
export OMP_NUM_THREADS := 1

study: $(ENVIRONMENT)
	@.venv/bin/python -m pipeline.run_study --settings $(SETTINGS) --cores $(CORES) --profile $(PROFILE) $(if $(BLINDED),--blinded $(BLINDED))

test: $(ENVIRONMENT)
	@.venv/bin/python -m pytest -n $(CORES) --dist loadfile --no-loadscope-reorder tests

$(ENVIRONMENT): config/environment/requirements.txt pyproject.toml
	@echo "Setting up the environment in .venv (once, about a minute)"
	@python3 -m venv .venv
	@.venv/bin/python -m pip install --quiet --disable-pip-version-check --require-hashes -r config/environment/requirements.txt
	@.venv/bin/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	@touch $(ENVIRONMENT)
