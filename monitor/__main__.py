"""``python -m monitor``: the same as the command ``warmtally``."""

from __future__ import annotations

import sys

from monitor.cli.main import main

sys.exit(main())
