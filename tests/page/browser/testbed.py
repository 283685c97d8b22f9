# SPDX-License-Identifier: MIT
"""The program that pretends to the browser which devices there are: `python -I testbed.py`.

A process of its own, because libumockdev (LGPL-2.1-or-later) must itself run under its preload to
send the events of devices that come and go. It prints the root of its pretended /sys; then each
line of its input is one order, a JSON array, and it prints whether that was done. It ends, and
takes all of it away, when its input ends.
"""

from __future__ import annotations

import ctypes
import json
import sys


def main() -> None:
    """Obey the orders that come in."""
    library = ctypes.CDLL("libumockdev.so.0")
    new = library.umockdev_testbed_new
    new.restype = ctypes.c_void_p
    root_of = library.umockdev_testbed_get_root_dir
    root_of.restype, root_of.argtypes = ctypes.c_char_p, [ctypes.c_void_p]
    add = library.umockdev_testbed_add_from_string
    add.restype, add.argtypes = ctypes.c_int, [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_void_p]
    uevent = library.umockdev_testbed_uevent
    uevent.restype, uevent.argtypes = None, [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_char_p]
    remove = library.umockdev_testbed_remove_device
    remove.restype, remove.argtypes = None, [ctypes.c_void_p, ctypes.c_char_p]
    unreference = ctypes.CDLL("libgobject-2.0.so.0").g_object_unref
    unreference.restype, unreference.argtypes = None, [ctypes.c_void_p]

    bed = new()
    sys.stdout.write(root_of(bed).decode() + "\n")
    sys.stdout.flush()
    for line in sys.stdin:
        order, what = json.loads(line)
        done = True
        if order == "add":  # which sends the event "add" as well
            done = add(bed, what.encode(), None) != 0
        else:
            uevent(bed, what.encode(), b"remove")
            remove(bed, what.encode())
        sys.stdout.write(json.dumps(done) + "\n")
        sys.stdout.flush()
    unreference(bed)


main()
