"""Work for the tests of workers."""

from __future__ import annotations

import os
import signal
import time


def work(task: str) -> str:
    """Does what it is told."""
    if task == "die":
        os.kill(os.getpid(), signal.SIGKILL)
    if task == "hang":
        time.sleep(60)
    if task == "pid":
        return str(os.getpid())
    return task.upper()
