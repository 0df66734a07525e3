"""The tests run as the commands do: linear algebra on one thread.

Sums over more threads differ in the last digits, and results are compared byte by byte with
those of worker processes, which have one thread. Here, because numpy reads it when it loads.
"""

from __future__ import annotations

from specfrac.threads import prefer_one_thread

prefer_one_thread()
