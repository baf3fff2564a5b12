"""Header reading by native libraries, in a process of its own: a crash or a hang there costs one file."""

from __future__ import annotations

import base64
import json
import os
import select
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self


@dataclass(frozen=True, slots=True)
class Isolated:
    """What a library said of one file; `problem` is a short phrase, empty if all went well.

    `exposure` holds numbers under their Exif tags. Sizes are as decoded: before turning for raw, after it for HEIC.
    """

    problem: str = ""
    width_px: int = 0
    height_px: int = 0
    exif: bytes = b""
    xmp: bytes = b""
    exposure: dict[int, float] = field(default_factory=dict)
    taken: str = ""
    lens: str = ""
    orientation: int = 0


class HeaderWorker:
    """Keeps one reading process, started when first asked, replaced when it dies or takes too long."""

    def __init__(self, timeout_s: float) -> None:
        self._timeout_s = timeout_s
        self._process: subprocess.Popen[bytes] | None = None
        self._rest = b""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def ask(self, what: Literal["raw", "raw size", "heif", "webp"], path: Path) -> Isolated:
        """Have one header read."""
        line = json.dumps({"what": what, "path": os.fsencode(path).hex()}).encode() + b"\n"
        try:
            process = self._running()
            assert process.stdin is not None
            process.stdin.write(line)
            process.stdin.flush()
            answer = self._answer(process)
        except OSError:
            answer = None
        if answer is None:
            self.close()
            return Isolated(problem=f"the {_NAMES[what]} decoder broke down on this file; copy it again from the card")
        if not answer:
            self.close()
            return Isolated(problem=f"reading its header took longer than {self._timeout_s:g} s")
        return _isolated(json.loads(answer))

    def close(self) -> None:
        """End the reading process."""
        process, self._process, self._rest = self._process, None, b""
        if process is None:
            return
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                try:
                    pipe.close()
                except OSError:
                    continue

    def _running(self) -> subprocess.Popen[bytes]:
        if self._process is None:
            # By its path, so that it loads the library it needs and nothing else.
            self._process = subprocess.Popen(
                [sys.executable, "-P", str(Path(__file__).with_name("worker.py"))],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
            )
        return self._process

    def _answer(self, process: subprocess.Popen[bytes]) -> bytes | None:
        """One line; empty after the time limit, ``None`` if the process is gone."""
        assert process.stdout is not None
        pipe = process.stdout.fileno()
        until = time.monotonic() + self._timeout_s
        while b"\n" not in self._rest:
            left = until - time.monotonic()
            if left <= 0 or not select.select([pipe], [], [], left)[0]:
                return b""
            more = os.read(pipe, 1 << 20)
            if not more:
                return None
            self._rest += more
        line, _, self._rest = self._rest.partition(b"\n")
        return line


_NAMES = {"raw": "raw", "raw size": "raw", "heif": "HEIC", "webp": "WebP"}


def _isolated(said: dict[str, Any]) -> Isolated:
    return Isolated(
        problem=said.get("problem", ""),
        width_px=said.get("width_px", 0),
        height_px=said.get("height_px", 0),
        exif=base64.b64decode(said.get("exif", "")),
        xmp=base64.b64decode(said.get("xmp", "")),
        exposure={int(tag): float(value) for tag, value in said.get("exposure", {}).items()},
        taken=said.get("taken", ""),
        lens=said.get("lens", ""),
        orientation=said.get("orientation", 0),
    )
