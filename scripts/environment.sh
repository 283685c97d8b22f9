#!/bin/sh
# SPDX-License-Identifier: MIT
#
# Makes .venv with the project in it, node_modules with what checks and tests the browser page, and
# the system packages beside them. Does nothing where all is there, so that every make target can
# call it. Asks nothing.
set -eu
cd "$(dirname "$0")/.."
venv_stamp=.venv/pyproject-installed
modules_stamp=node_modules/package-lock-installed

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

# Each stamp says what its folder was made from; where that is unchanged, there is nothing to do.

wanted=$(python3 --version && cksum <pyproject.toml)
if [ ! -x .venv/bin/python ] || [ "$(cat "$venv_stamp" 2>/dev/null)" != "$wanted" ]; then
    say "making .venv with $(python3 --version)"
    rm -f "$venv_stamp"
    python3 -m venv .venv ||
        fail "python3 cannot make .venv: install its venv module (on Debian, the package python3-venv)."
    .venv/bin/python -m pip install --quiet --disable-pip-version-check --no-input \
        --editable '.[dev]' </dev/null || fail "pip could not install what pyproject.toml asks for."
    printf '%s\n' "$wanted" >"$venv_stamp"
fi

# The page itself needs no package, and most of the project no page: so nothing here is an error.
skips="so the page's scripts go unchecked, and the tests that need node_modules skip."
if ! command -v node >/dev/null || ! command -v npm >/dev/null; then
    say "there is no node with npm here, $skips" >&2
elif ! node -e 'process.exit(process.versions.node.split(".")[0] < 20 ? 1 : 0)'; then
    say "node $(node --version) is too old (Node 20 or later will do), $skips" >&2
else
    wanted=$(node --version && cat package.json package-lock.json .npmrc | cksum)
    if [ "$(cat "$modules_stamp" 2>/dev/null)" != "$wanted" ]; then
        say "making node_modules with node $(node --version)"
        # No package runs anything of its own here, neither to install nor to send news.
        if npm ci --ignore-scripts --no-audit --no-fund --no-update-notifier --loglevel=error \
            </dev/null >/dev/null; then
            printf '%s\n' "$wanted" >"$modules_stamp"
        else
            say "npm could not install what package-lock.json asks for, $skips" >&2
        fi
    fi
fi
