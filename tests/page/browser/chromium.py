# SPDX-License-Identifier: MIT
"""The browser for the tests, and the host from which it has its pages; nothing but loopback."""

from __future__ import annotations

import functools
import http.server
import json
import os
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tests.page.browser.serial_lab import ADAPTER_NAME, PRODUCT, SERIAL_NUMBER, VENDOR, Lab
from tests.waiting import PATIENCE, join

if TYPE_CHECKING:
    from playwright.sync_api import BrowserContext, Playwright

# umockdev's preload is not safe to fork: its lock can be held by another thread while the browser
# forks its network service, which then hangs, in one start of ten. A network service in the process
# itself has no such fork. The last flag of its name wins, so that the two features that Playwright
# itself asks for are repeated.
_FEATURES = "CDPScreenshotNewSurface,SkipListAccountsWithoutGaiaCookies,NetworkServiceInProcess2"

FLAGS = (
    "--no-sandbox",  # root gets none, and many a container forbids what it is made of
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
    f"--enable-features={_FEATURES}",
)

# A terminal that one program has for itself (TIOCEXCL) opens to root all the same, which takes the
# capability CAP_SYS_ADMIN: without it a browser of root finds a busy port as anybody's does.
_AS_ANYBODY = """#!/bin/sh
if [ "$(id -u)" -eq 0 ]; then
    exec setpriv --inh-caps=-sys_admin --bounding-set=-sys_admin chromium "$@"
fi
exec chromium "$@"
"""


class _Quiet(http.server.SimpleHTTPRequestHandler):
    """Serves files, and keeps no log of it."""

    def log_message(self, format: str, *args: Any) -> None:  # noqa: A002 - the name it has there
        """Keep it to itself."""


@contextmanager
def serve(folder: Path) -> Iterator[str]:
    """Serve a folder as a static host does; yield its origin."""
    handler = functools.partial(_Quiet, directory=str(folder))
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler) as server:
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        try:
            yield f"http://127.0.0.1:{server.server_address[1]}"
        finally:
            server.shutdown()
            join(thread)


def start(
    playwright: Playwright,
    lab: Lab,
    profile: Path,
    origin: str | None,
    options: Mapping[str, Any],
) -> BrowserContext:
    """Start the browser with a fresh profile.

    origin: whose pages a person has let use the adapter before; None for nobody's. options: of
    Playwright's launch_persistent_context.
    """
    if origin is not None:
        _let_use_the_adapter(profile, origin)
    program = profile.with_name("chromium")
    program.write_text(_AS_ANYBODY)
    program.chmod(0o700)
    context = playwright.chromium.launch_persistent_context(
        profile,
        executable_path=program,
        args=FLAGS,
        env={**os.environ, **lab.environment},
        timeout=PATIENCE * 1000,
        **{"locale": "en-US", "viewport": {"width": 1280, "height": 800}, **options},
    )
    context.set_default_timeout(PATIENCE * 1000)
    return context


def _let_use_the_adapter(profile: Path, origin: str) -> None:
    """Write into a profile what the browser's own chooser of ports would have written."""
    chosen = {
        "name": ADAPTER_NAME,
        "vendor_id": VENDOR,
        "product_id": PRODUCT,
        "serial_number": SERIAL_NUMBER,
    }
    granted = {f"{origin},*": {"setting": {"chosen-objects": [chosen]}}}
    exceptions = {"serial_chooser_data": granted}
    default = profile / "Default"
    default.mkdir(parents=True)
    (default / "Preferences").write_text(
        json.dumps({"profile": {"content_settings": {"exceptions": exceptions}}})
    )
