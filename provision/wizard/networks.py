# SPDX-License-Identifier: MIT
"""The wireless networks in range, as a person chooses among them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType

from provision.catalogue import mark, tr
from provision.client.sanitize import visible
from provision.contract.table import Security
from provision.link.replies import Network
from provision.schema.table import MAX_NETWORK_NAME
from provision.wizard.questions import InRange

# dBm from which on a signal is called so; common practice.
_STRONG = -60
_FAIR = -75

_SECURITY: Mapping[int, str] = MappingProxyType(
    {
        Security.OPEN: mark("open"),
        Security.PERSONAL: mark("with a passphrase"),
        Security.ENTERPRISE: mark("with an account for each user"),
    }
)
_UNKNOWN_SECURITY = mark("secured in an unknown way")


def in_range(found: Iterable[Network]) -> tuple[InRange, ...]:
    """Return what was found, the strongest first, each name once."""
    strongest: dict[bytes, Network] = {}
    for network in sorted(found, key=lambda network: -network.signal):
        strongest.setdefault(network.name, network)
    return tuple(
        InRange(
            network.name,
            visible(network.name.decode("utf-8", "backslashreplace"), MAX_NETWORK_NAME),
            _strength(network.signal),
            tr(_SECURITY.get(network.security, _UNKNOWN_SECURITY)),
            network.security == Security.OPEN,
        )
        for network in strongest.values()
        if network.name
    )


def _strength(signal: int) -> str:
    if signal >= _STRONG:
        return tr("strong")
    return tr("fair") if signal >= _FAIR else tr("weak")
