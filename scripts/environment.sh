#!/bin/sh
# SPDX-License-Identifier: MIT
#
# Makes .venv with the project in it, and the system packages beside it. Does nothing where all is
# there, so that every make target can call it. Asks nothing.
set -eu
cd "$(dirname "$0")/.."
stamp=.venv/pyproject-installed

say() { printf 'environment: %s\n' "$*"; }
fail() { say "$*" >&2; exit 1; }

# Prints the listed packages whose probe fails. Probes run by themselves: none may read the list.
missing_packages() {
    grep -v -e '^#' -e '^$' scripts/packages.txt | while read -r package probe; do
        sh -c "$probe" </dev/null >/dev/null 2>&1 || printf '%s ' "$package"
    done
}

# Waits where another program holds the package manager's lock, as on a machine just started.
install_packages() {
    export DEBIAN_FRONTEND=noninteractive
    apt-get -o DPkg::Lock::Timeout=300 -qq update </dev/null &&
        apt-get -o DPkg::Lock::Timeout=300 -qq install --yes --no-install-recommends "$@" </dev/null
}

missing=$(missing_packages)
if [ -n "$missing" ] && [ "$(id -u)" -eq 0 ] && command -v apt-get >/dev/null; then
    say "installing ${missing% }"
    # One word a package; a failure is told below, by what is missing still.
    # shellcheck disable=SC2086
    install_packages $missing >/dev/null || true
    missing=$(missing_packages)
fi
if [ -n "$missing" ]; then
    say "not here, and not installed (that takes root and apt-get): ${missing% };" \
        "the tests that need them say what they skip." >&2
fi

command -v python3 >/dev/null || fail "there is no python3 here: install Python 3.11 or later."
python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))' ||
    fail "$(python3 --version) is too old: install Python 3.11 or later, so that python3 starts it."

# What the environment was made from; where that is unchanged, there is nothing to do.
wanted=$(python3 --version && cksum <pyproject.toml)
if [ -x .venv/bin/python ] && [ "$(cat "$stamp" 2>/dev/null)" = "$wanted" ]; then
    exit 0
fi

say "making .venv with $(python3 --version)"
rm -f "$stamp"
python3 -m venv .venv ||
    fail "python3 cannot make .venv: install its venv module (on Debian, the package python3-venv)."
.venv/bin/python -m pip install --quiet --disable-pip-version-check --no-input \
    --editable '.[dev]' </dev/null || fail "pip could not install what pyproject.toml asks for."
printf '%s\n' "$wanted" >"$stamp"
