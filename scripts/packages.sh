#!/bin/sh
# SPDX-License-Identifier: MIT
#
#   scripts/packages.sh TARGET...     the make targets that are going to run
#
# Where root and apt-get are there, installs the packages that scripts/packages.txt lists for the
# targets and that are not here. Says first which and what for, and at a terminal asks; not with
# CI=true or YES=1. Elsewhere it says what is lacking.
set -euf
cd "$(dirname "$0")/.."

say() { printf 'packages: %s\n' "$*" >&2; }

# Prints the lines of the list that are for one of the targets, and whose probe fails. Probes run
# by themselves: none may read the list.
missing() {
    grep -v -e '^#' -e '^$' scripts/packages.txt | while IFS='|' read -r package targets why probe; do
        # shellcheck disable=SC2086 # one word a target
        is_for $targets || continue
        sh -c "$probe" </dev/null >/dev/null 2>&1 || printf '%s|%s\n' $package "$why"
    done
}

# Whether a package with these targets is for one of those that are going to run.
is_for() {
    for target in "$@"; do
        for asked in $asked_for; do
            if [ "$target" = "*" ] || [ "$target" = "$asked" ]; then return 0; fi
        done
    done
    return 1
}

names() { printf '%s\n' "$lacking" | cut -d '|' -f 1 | paste -s -d ' ' -; }

# Whether what was said is to be done. Whoever is at a terminal is asked.
agreed() {
    if [ "${CI:-}" = true ] || [ "${YES:-}" = 1 ] || ! [ -t 0 ]; then return 0; fi
    printf 'packages: Install them? [y/N] ' >&2
    read -r answer || answer=
    case $answer in [yY] | [yY][eE][sS]) return 0 ;; esac
    return 1
}

# Waits where another program holds the package manager's lock, as on a machine just started.
install_packages() {
    export DEBIAN_FRONTEND=noninteractive
    apt-get -o DPkg::Lock::Timeout=300 -qq update </dev/null &&
        apt-get -o DPkg::Lock::Timeout=300 -qq install --yes --no-install-recommends "$@" </dev/null
}

asked_for=$*
lacking=$(missing)
if [ -n "$lacking" ] && [ "$(id -u)" -eq 0 ] && command -v apt-get >/dev/null; then
    say "as root, apt-get installs for $asked_for what is not here:"
    printf '%s\n' "$lacking" | while IFS='|' read -r package why; do
        say "    $package: $(echo $why)"
    done
    if agreed; then
        # One word a package; a failure is told below, by what is missing still.
        # shellcheck disable=SC2046
        install_packages $(names) >/dev/null || true
        lacking=$(missing)
    fi
fi
if [ -n "$lacking" ]; then
    say "not here, and not installed (that takes root, apt-get and a yes): $(names);" \
        "what needs them says so."
fi
