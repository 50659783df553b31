"""Which of Apprise's services are loaded: those that the keeper's addresses need.

Left alone Apprise loads every service it has, almost two hundred, when the first address is looked at: half a second
and sixteen megabytes, of which one or two services are used.
"""

from __future__ import annotations

import importlib
import logging
import re
import tempfile
import threading
from pathlib import Path
from typing import Any, Final

_log = logging.getLogger(__name__)

# Addresses of web pages may be claimed by any service.
_ANY: Final = ("http", "https")
_lock = threading.Lock()
_all_loaded = False


def ready(scheme: str) -> None:
    """Make sure that Apprise knows the service of addresses that begin with a scheme, if it has one at all."""
    global _all_loaded  # noqa: PLW0603 - as Apprise's own list of services, once for the process
    import apprise

    manager: Any = apprise.plugins.N_MGR
    with _lock:
        if _all_loaded or (manager and scheme in manager and scheme not in _ANY):
            return
        try:
            found = scheme not in _ANY and _load(manager, scheme)
        except Exception as error:  # noqa: BLE001 - whatever another version does otherwise: all of them are right
            _log.info("services are loaded all together (%s)", type(error).__name__)
            found = False
        if not found:
            manager.unload_modules()
            manager.load_modules()
            _all_loaded = True


def _load(manager: Any, scheme: str) -> bool:
    """The one service whose source names the scheme, and which says that it serves it; False when there is none."""
    if not manager:
        # Once it has looked into a folder, it does not look for all by itself.
        with tempfile.TemporaryDirectory() as without_services:
            manager.load_modules(path=without_services)
    named = re.compile(rf"""["']{re.escape(scheme)}["']""")
    for path in sorted(Path(manager.module_path).iterdir()):
        sources = [path] if path.suffix == ".py" else sorted(path.glob("*.py"))
        if path.name.startswith(("_", "base")) or not any(named.search(s.read_text("utf-8")) for s in sources):
            continue
        module = importlib.import_module(f"{manager.module_name_prefix}.{path.stem}")
        for name in filter(manager.module_filter_re.match, dir(module)):
            plugin = getattr(module, name)
            if hasattr(plugin, "app_id") and scheme in plugin.schemas(plugin):
                return bool(manager.add(plugin))
    return False


__all__ = ["ready"]
