"""Header reading by native libraries, in a process of its own: a crash or a hang there costs one file."""

from __future__ import annotations

import base64
import json
import os
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self

from windstill.separate import Separate


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
        self._process: Separate | None = None

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
            if self._process is None:
                # By its path, so that it loads the library it needs and nothing else.
                self._process = Separate([str(Path(__file__).with_name("worker.py"))])
            process = self._process
            with process.deadline(self._timeout_s):
                process.jobs.write(line)
                process.jobs.flush()
                answer = process.answers.readline()
                if not answer.endswith(b"\n"):
                    raise BrokenPipeError
        except TimeoutError:
            self.close()
            return Isolated(problem=f"reading its header took longer than {self._timeout_s:g} s")
        except OSError:
            self.close()
            return Isolated(problem=f"the {_NAMES[what]} decoder broke down on this file; copy it again from the card")
        return _isolated(json.loads(answer))

    def close(self) -> None:
        """End the reading process."""
        if self._process is not None:
            self._process.end()
            self._process = None


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
