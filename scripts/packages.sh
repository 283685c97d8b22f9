#!/bin/sh
# SPDX-License-Identifier: MIT
#
# Installs the packages of scripts/packages.txt that are not here, where root and apt-get are there;
# says which are lacking elsewhere. Asks nothing.
set -eu
cd "$(dirname "$0")/.."

say() { printf 'packages: %s\n' "$*"; }

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
