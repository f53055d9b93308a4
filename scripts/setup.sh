# Shared by scripts/demo and scripts/test: finds Python, system packages, and the virtual environment.
# Sourced, not run. Sets VENV. Which package index pip asks is the machine's own setting.

export PIP_DISABLE_PIP_VERSION_CHECK=1 PIP_ROOT_USER_ACTION=ignore PIP_NO_INPUT=1

# Off-screen pictures need EGL and a software driver; no display, no X server, no libGL (seen on a bare Debian 12).
PICTURE_PACKAGES=(libegl1 libegl-mesa0 libgl1-mesa-dri)

say() { printf '%s\n' "== $*" >&2; }

# need PACKAGE...: installs what is missing where this is root on Debian or Ubuntu, else says what is.
need() {
    local missing=() package
    if ! command -v dpkg-query >/dev/null; then
        say "not Debian or Ubuntu: make sure that the counterparts of these are there: $*"
        return 0
    fi
    for package in "$@"; do
        dpkg-query -W -f '${Status}' "$package" 2>/dev/null | grep -q '^install ok installed' || missing+=("$package")
    done
    [ ${#missing[@]} -eq 0 ] && return 0
    if [ "$(id -u)" -ne 0 ]; then
        say "missing system packages; an administrator installs them with: apt-get install ${missing[*]}"
        return 1
    fi
    say "installing system packages: ${missing[*]}"
    install_packages "${missing[@]}" && return 0
    apt-get update -qq </dev/null >&2 || true
    install_packages "${missing[@]}" && return 0
    say "could not install: ${missing[*]}"
    return 1
}

install_packages() {
    local log
    log=$(mktemp)
    if DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends "$@" </dev/null >"$log" 2>&1; then
        rm -f "$log"
        return 0
    fi
    tail -n 5 "$log" >&2
    rm -f "$log"
    return 1
}

find_python() {
    local candidate
    for candidate in "${PYTHON:-}" python3 python3.14 python3.13 python3.12 python3.11; do
        [ -n "$candidate" ] && command -v "$candidate" >/dev/null || continue
        if "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            command -v "$candidate"
            return 0
        fi
    done
    return 1
}

# make_venv EXTRAS: a virtual environment with this project and its EXTRAS ("" or "[dev]").
# ROOF3D_VENV names another place than .venv.
make_venv() {
    local extras=$1 python stamp
    VENV=${ROOF3D_VENV:-$PWD/.venv}
    if [ ! -x "$VENV/bin/python" ]; then
        python=$(find_python) || need python3 >&2 && python=$(find_python) || {
            say "Python 3.11 or later is needed; none found (PYTHON=/path/to/python names one)"
            exit 2
        }
        if ! "$python" -c 'import ensurepip, venv' 2>/dev/null; then
            need "$(basename "$(readlink -f "$python")")-venv" || need python3-venv || exit 2
        fi
        say "new virtual environment in $VENV with $("$python" --version)"
        "$python" -m venv "$VENV"
    fi
    stamp="$VENV/roof3d-installed"
    if ! { printf '%s\n' "$PWD" "$extras"; cat pyproject.toml; } | cmp -s - "$stamp"; then
        say "installing roof3d$extras from pyproject.toml (some minutes the first time)"
        "$VENV/bin/python" -m pip install --quiet --editable ".$extras" </dev/null
        { printf '%s\n' "$PWD" "$extras"; cat pyproject.toml; } >"$stamp"
    fi
}
