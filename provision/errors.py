# SPDX-License-Identifier: MIT
"""The base class of every exception that the library raises on purpose."""

from __future__ import annotations

import re
from collections.abc import Mapping

from provision.phrases import Phrase


class ProvisionError(Exception):
    """Something cannot be done. str() says it to a person, without the value of any setting.

    `code` is for programs, and stable: the class name with hyphens, such as "port-busy".
    """

    @property
    def code(self) -> str:
        """The stable name of the error, for programs."""
        name = type(self).__name__.removesuffix("Error") or "error"
        return re.sub(r"(?<=[a-z])(?=[A-Z])", "-", name).lower()

    @property
    def parameters(self) -> Mapping[str, object]:
        """The values in the text, by name: keys, numbers, names; never the value of a setting."""
        said = self.args[0] if self.args else None
        return said.values if isinstance(said, Phrase) else {}
