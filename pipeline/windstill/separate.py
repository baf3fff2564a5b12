"""A process beside ours for what a stranger's file may crash, hang or bloat: it costs one file, not the run."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import threading
from collections.abc import Iterator, Mapping, Sequence
from typing import IO

# Long enough to write a few kilobytes; nobody waits for it unless the process is stopped or a library holds on.
_GRACE_S = 1.0


class Separate:
    """One Python process and the pipes to it. Not for two threads at once.

    Parameters
    ----------
    arguments : sequence of str
        What Python is to run, and with what.
    environment : mapping, optional
        By default ours.

    Raises
    ------
    OSError
        It cannot be started.
    """

    def __init__(self, arguments: Sequence[str], environment: Mapping[str, str] | None = None) -> None:
        self._owner = os.getpid()
        self.process = subprocess.Popen(
            # -P: the folder the caller stands in, which may be a stranger's card, is no place to import from.
            [sys.executable, "-P", *arguments],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=environment,
        )  # fmt: skip

    @property
    def jobs(self) -> IO[bytes]:
        """Its standard input."""
        assert self.process.stdin is not None
        return self.process.stdin

    @property
    def answers(self) -> IO[bytes]:
        """Its standard output."""
        assert self.process.stdout is not None
        return self.process.stdout

    def alive(self) -> bool:
        """Whether it can take a job from this very process (not from a fork of the one that started it)."""
        return self._owner == os.getpid() and self.process.poll() is None

    @contextlib.contextmanager
    def deadline(self, seconds: float) -> Iterator[None]:
        """Kill the process when the time is up, which ends any reading from it.

        Raises
        ------
        TimeoutError
            In place of whatever error that led to.
        """
        late = threading.Event()

        def stop() -> None:
            late.set()
            self.process.kill()

        timer = threading.Timer(seconds, stop)
        timer.daemon = True
        timer.start()
        try:
            yield
        except Exception as err:
            if late.is_set():
                raise TimeoutError from err
            raise
        else:
            if late.is_set():
                raise TimeoutError  # the answer came just in time, and the process is gone all the same
        finally:
            timer.cancel()

    def end(self) -> None:
        """Close the pipes; end and reap the process if it is ours."""
        for pipe in (self.process.stdin, self.process.stdout):
            with contextlib.suppress(OSError):
                if pipe is not None:
                    pipe.close()
        if self._owner == os.getpid():
            self.process.terminate()  # politely first: one that is watched (make coverage) puts down what it saw
            try:
                self.process.wait(_GRACE_S)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
