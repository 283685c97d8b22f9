#!/bin/sh
# SPDX-License-Identifier: MIT
#
# Prints which Pythons of those that README promises are here, on PATH or where a manager of
# versions keeps them in the home: one a line, version and program, the oldest first.
set -eu

tell='import os, sys
version, kind = sys.version_info[:3], sys.version_info[3]
if version >= (3, 11) and kind == "final":
    program = getattr(sys, "_base_executable", sys.executable)  # of an environment, what made it
    print(".".join(map(str, version)), os.path.realpath(program))'

{
    printf '%s\n' "$PATH" | tr ':' '\n'
    printf '%s\n' "${HOME:-/}"/.*/versions/*/bin
} | while read -r folder; do
    for python in "$folder"/python3 "$folder"/python3.[0-9] "$folder"/python3.[0-9][0-9]; do
        if [ -x "$python" ]; then "$python" -c "$tell" </dev/null 2>/dev/null || true; fi
    done
done | sort --unique --version-sort
