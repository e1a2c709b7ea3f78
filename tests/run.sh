#!/bin/bash
# Sets up .venv, then checks and tests everything. Arguments go to pytest.
set -euo pipefail
source "$(dirname "${BASH_SOURCE[0]}")/../.ci/setup.sh"
cd "$fullhide_root"

# An __init__.py there would hide Python's own inspect from everything run in this folder.
for stray in inspect/__init__.py plugins/__init__.py tests/__init__.py; do
    if [ -e "$stray" ]; then
        fullhide_stop "$stray must not exist; remove it"
    fi
done

fullhide_setup test
fullhide_packages
"$fullhide_python" -m ruff format --check .
"$fullhide_python" -m ruff check .
"$fullhide_python" -m mypy
workers="$(nproc 2>/dev/null || echo 2)"
# Each worker has a core of its own: threads of the linear algebra beside it would only wait.
# Not before nproc, which answers with OMP_NUM_THREADS where that is set.
export OPENBLAS_NUM_THREADS=1 OMP_NUM_THREADS=1
# The viewer's tests open its window: on a screen of their own, whatever the machine has.
exec xvfb-run -a -s "-screen 0 1400x900x24" \
    "$fullhide_python" -m pytest -q -n "$((workers > 4 ? 4 : workers))" --dist loadgroup "$@"
