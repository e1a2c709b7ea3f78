#!/bin/bash
# Sets up .venv, then inspects the example jobs into ./fullhide-demo (or the folder given).
set -euo pipefail
source "$(dirname "${BASH_SOURCE[0]}")/../.ci/setup.sh"
fullhide_setup
exec "$fullhide_python" -m fullhide demo "$@"
