# SPDX-License-Identifier: MIT
"""The root of everything that the library raises on purpose."""

from __future__ import annotations

import re
from collections.abc import Mapping


class ProvisionError(Exception):
    """Something that cannot be done. str() tells a person, in a sentence or two, without a value.

    `code` tells a program, and is stable: the class's own name with hyphens, such as "port-busy".
    """

    @property
    def code(self) -> str:
        """The name of what is wrong."""
        name = type(self).__name__.removesuffix("Error") or "error"
        return re.sub(r"(?<=[a-z])(?=[A-Z])", "-", name).lower()

    @property
    def parameters(self) -> Mapping[str, object]:
        """What belongs to the code: keys, numbers, names; never the value of a setting."""
        return {}
