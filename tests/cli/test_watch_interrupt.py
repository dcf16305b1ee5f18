"""Ctrl-C ends watching whenever it comes."""

from __future__ import annotations

import os
import signal
from contextlib import suppress

import pytest

from rimsight.cli.watch import ended_by_signal

needs_signals = pytest.mark.skipif(os.name == "nt", reason="Ctrl-C can't be sent to one process on Windows")


@needs_signals
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_an_interrupt_that_was_swallowed_still_ends_it(how: signal.Signals) -> None:
    """Regression: Ctrl-C during a finaliser is printed and forgotten by Python, and watching went on."""
    reached = []
    before = signal.getsignal(how)
    with ended_by_signal() as end_if_asked:
        end_if_asked()
        with suppress(KeyboardInterrupt):
            signal.raise_signal(how)
        reached.append("swallowed")
        end_if_asked()
        reached.append("went on")
    assert reached == ["swallowed"]
    assert signal.getsignal(how) is before
