# Sourced by tests/run.sh and sample_images/demo.sh: makes .venv with what pyproject.toml asks for.
#   fullhide_setup            what the command needs
#   fullhide_setup test       and what the tests need
# Afterwards $fullhide_root is the repository and $fullhide_python the environment's Python.

fullhide_root="$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)"
fullhide_python="$fullhide_root/.venv/bin/python"
# Another copy on the path would be run instead of this one.
unset PYTHONPATH PYTHONHOME

fullhide_stop() {
    echo "fullhide: $*" >&2
    exit 2
}

fullhide_find_python() {
    local name
    for name in python3 python3.14 python3.13 python3.12 python3.11; do
        if command -v "$name" >/dev/null &&
            "$name" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            command -v "$name"
            return
        fi
    done
    return 1
}

fullhide_venv_module() { # PYTHON: Debian and Ubuntu keep venv in a package of its own
    if "$1" -c 'import ensurepip, venv' 2>/dev/null; then
        return
    fi
    local package
    package="$("$1" -c 'import sys; print("python%d.%d-venv" % sys.version_info[:2])')"
    if ! command -v apt-get >/dev/null; then
        fullhide_stop "$1 lacks the modules venv and ensurepip; install them and try again"
    fi
    fullhide_apt "$package"
}

fullhide_apt() { # PACKAGE...: installs where that is allowed, else says what to run
    local as_root=() what="the package $* is" was="the package $*"
    if [ $# -gt 1 ]; then
        what="the packages $* are" was="the packages $*"
    fi
    if [ "$(id -u)" != 0 ]; then
        if ! { command -v sudo >/dev/null && sudo -n true 2>/dev/null; }; then
            fullhide_stop "$what missing; run: sudo apt-get install $*"
        fi
        as_root=(sudo -n)
    fi
    echo "fullhide: installing $*"
    local apt=(env DEBIAN_FRONTEND=noninteractive apt-get -q -y)
    "${as_root[@]}" "${apt[@]}" update >/dev/null &&
        "${as_root[@]}" "${apt[@]}" install --no-install-recommends "$@" >/dev/null ||
        fullhide_stop "$was could not be installed; install and try again"
}

# What the tests need of the system: a command or a library, and the Debian package that holds it.
# The viewer's tests open its window on a screen of Xvfb's; Qt wants the libraries. The report's
# open its page in a browser and its papers with poppler.
fullhide_needs=(
    chromium=chromium chromedriver=chromium-driver pdftoppm=poppler-utils
    Xvfb=xvfb xvfb-run=xvfb xauth=xauth
    libfontconfig.so.1=libfontconfig1 libGL.so.1=libgl1 libEGL.so.1=libegl1
    libglib-2.0.so.0=libglib2.0-0 libdbus-1.so.3=libdbus-1-3
    libxkbcommon-x11.so.0=libxkbcommon-x11-0 libxcb-cursor.so.0=libxcb-cursor0
    libxcb-icccm.so.4=libxcb-icccm4 libxcb-keysyms.so.1=libxcb-keysyms1 libxcb-shape.so.0=libxcb-shape0
)

fullhide_missing() { # prints the packages, each once; needs the environment's Python
    local need what package libraries=() lacking=" "
    for need in "${fullhide_needs[@]}"; do
        what="${need%%=*}" package="${need#*=}"
        if [[ "$what" == *.so.* ]]; then
            libraries+=("$need")
        elif ! command -v "$what" >/dev/null && [[ "$lacking" != *" $package "* ]]; then
            lacking+="$package "
        fi
    done
    echo -n "$lacking"
    "$fullhide_python" - "${libraries[@]}" <<'PYTHON'
import ctypes, sys
for need in sys.argv[1:]:
    library, package = need.split("=")
    try:
        ctypes.CDLL(library)
    except OSError:
        print(package, end=" ")
PYTHON
}

fullhide_packages() { # what the tests need of the system, installed where that is allowed
    local missing
    read -r -a missing <<<"$(fullhide_missing)"
    if [ "${#missing[@]}" = 0 ]; then
        return
    fi
    if ! command -v apt-get >/dev/null; then
        fullhide_stop "the tests need what Debian calls ${missing[*]}; install it and try again"
    fi
    fullhide_apt "${missing[@]}"
    read -r -a missing <<<"$(fullhide_missing)"
    if [ "${#missing[@]}" != 0 ]; then
        fullhide_stop "still missing after installing: ${missing[*]}"
    fi
}

fullhide_setup() { # [test]
    local extra="${1:-}" stamp wanted target base
    target="$fullhide_root${extra:+[$extra]}"
    stamp="$fullhide_root/.venv/.fullhide-${extra:-base}"
    if ! "$fullhide_python" -c 'import sys, pip; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
        base="$(fullhide_find_python)" ||
            fullhide_stop "needs Python 3.11 or newer; install it (on Ubuntu 22.04: python3.11)"
        fullhide_venv_module "$base"
        "$base" -m venv --clear "$fullhide_root/.venv" ||
            fullhide_stop "could not make $fullhide_root/.venv"
    fi
    # The place counts too: an environment that was moved with its folder no longer works.
    wanted="$({
        echo "$fullhide_root"
        "$fullhide_python" --version
        cat "$fullhide_root/pyproject.toml"
    } | sha256sum)"
    if [ "$(cat "$stamp" 2>/dev/null)" != "$wanted" ]; then
        echo "fullhide: installing into $fullhide_root/.venv (once; some minutes)"
        "$fullhide_python" -m pip install --quiet --no-input --disable-pip-version-check -e "$target" ||
            fullhide_stop "pip could not install what pyproject.toml asks for; see above"
        echo "$wanted" >"$stamp"
    fi
}
