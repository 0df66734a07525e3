"""The tests run as the commands do: linear algebra on one thread, interrupts heard.

Sums over more threads differ in the last digits, and results are compared byte by byte with
those of worker processes, which have one thread. Here, because numpy reads it when it loads.
"""

from __future__ import annotations

import signal

from specfrac.threads import prefer_one_thread

prefer_one_thread()

# What a script starts in the background ignores interrupts, and tests of them would wait in vain.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
