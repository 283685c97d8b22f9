# SPDX-License-Identifier: MIT
"""Packages that only authors of firmware need, and that not everybody has installed."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from provision.errors import ProvisionError

INSTALL = 'pip install "provision-over-serial[author]"'
"""The words that install what is missing, the same in every shell."""


class MissingPackageError(ProvisionError):
    """A package of the extra `author` is not installed; one sentence that says what installs it."""


@contextmanager
def of_authors(package: str, purpose: str) -> Iterator[None]:
    """Import a package of the extra `author`, or raise MissingPackageError.

    package: by its name in the registry, which may differ from the module's. purpose: what it is
    needed for, as it goes on from "is needed".
    """
    try:
        yield
    except ModuleNotFoundError:
        raise MissingPackageError(
            f"The Python package {package} is needed {purpose}, and is not installed here:"
            f" `{INSTALL}` installs it."
        ) from None
