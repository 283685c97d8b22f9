#!/bin/sh
# SPDX-License-Identifier: MIT
#
#   scripts/environment.sh TARGET     the make target that is going to run
#
# Makes what the target needs and no more: .venv with the project in it, node_modules with what
# checks and tests the browser page, and the system packages beside them. Does nothing where all is
# there, and adds what lacks where another target needed less. Asks only before it installs as root.
#
#   PROVISION_PYTHON    the Python that .venv is made with (python3)
#   PROVISION_VENV      the folder in the place of .venv, for a second one beside it
#   CI=true, YES=1      installs what is missing without asking
set -eu
cd "$(dirname "$0")/.."
target=$1
python=${PROVISION_PYTHON:-python3}
venv=${PROVISION_VENV:-.venv}
venv_stamp=$venv/pyproject-installed
modules_stamp=node_modules/package-lock-installed

say() { printf 'environment: %s\n' "$*"; }
fail() { say "$*" >&2; exit 1; }

# How much of pyproject.toml a target needs: each step has what the one before it has.
case $target in
    demo) step=0 extra= ;;
    preview) step=1 extra='[author]' ;; # a virtual board
    *) step=2 extra='[dev]' ;;
esac

scripts/packages.sh "$target"

command -v "$python" >/dev/null || fail "there is no $python here: install Python 3.11 or later."
"$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' ||
    fail "$("$python" --version) is too old: install Python 3.11 or later, so that $python starts it."

# Each stamp says what its folder was made from; where that is unchanged, there is nothing to do.
# That of .venv has the step in its last line.

wanted=$("$python" --version && cksum <pyproject.toml)
reached=-1
if [ -x "$venv/bin/python" ] && [ "$(sed '$d' "$venv_stamp" 2>/dev/null)" = "$wanted" ]; then
    reached=$(sed -n '$p' "$venv_stamp")
fi
if [ "$reached" -lt "$step" ]; then
    rm -f "$venv_stamp"
    if [ "$reached" -lt 0 ]; then
        say "making $venv with $("$python" --version), for make $target"
        anew=
        [ ! -e "$venv/pyvenv.cfg" ] || anew=--clear # what another Python has put there is of no use
        "$python" -m venv $anew "$venv" ||
            fail "$python cannot make $venv: install its venv module (on Debian, the package python3-venv)."
    else
        say "adding to $venv what make $target needs"
    fi
    "$venv/bin/python" -m pip install --quiet --disable-pip-version-check --no-input \
        --editable ".$extra" </dev/null || fail "pip could not install what pyproject.toml asks for."
    printf '%s\n%s\n' "$wanted" "$step" >"$venv_stamp"
fi

# What needs Node needs its packages.
grep '^npm ' scripts/packages.txt | cut -d '|' -f 2 | grep -q -w -e "$target" || exit 0

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
