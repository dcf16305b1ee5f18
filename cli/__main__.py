"""`python -m rimsight.cli` is the command `rimsight`."""

from __future__ import annotations

from rimsight.cli.app import main

main()
