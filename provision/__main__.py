# SPDX-License-Identifier: MIT
"""`python -m provision` is the same as `provision`."""

import sys

from provision.cli import main

sys.exit(main())
