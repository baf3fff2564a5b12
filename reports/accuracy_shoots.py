"""Draws simulated shoots, reviews them with the real pipeline, and reads back what the review wrote.

Only the files of the contract are read: `truth.json` of the simulator; `frames.csv`, `sets.csv`, `pairs.csv` and
`tiles.parquet` of the review.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

import windstill
from windstill.records import Kind, decode_name
from windstill.run.keys import key_of, versions
from windstill.settings import Settings
from windstill.simulate import Leanings, random_description, simulate

REVIEW_ROOMS = ("scan", "imaging", "score", "group", "assess", "advise", "report", "settings")
TEXT = ("frame", "files", "camera", "lens", "set_id", "parent_set", "kind", "members", "keep", "note", "outlook",
        "reasons", "worst_pair", "base_frame", "keep_frames", "advice", "frame_a", "frame_b", "relation",
        "homography", "captured_at", "started_at")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Ask:
    """One shoot to be drawn: everything that decides what it holds."""

    seed: int
    sets: int
    width_px: int
    kinds: tuple[Kind, ...] | None = None
    camera_data: bool | None = None
    calm: bool | None = None
    quick: bool = False


@dataclass(frozen=True, slots=True)
class Reviewed:
    """A shoot's truth and the tool's tables; names decoded, and relative to the card's DCIM folder in both."""

    ask: Ask
    folder: Path
    truth: dict[str, Any]
    frames: pd.DataFrame
    sets: pd.DataFrame
    pairs: pd.DataFrame
    tiles: pd.DataFrame

    @property
    def unit(self) -> float:
        """Pixels of these pictures to one pixel of a picture 6000 px wide."""
        return self.ask.width_px / 6000


def simulated(ask: Ask, work: Path, workers: int, keep_renders: bool = False) -> Path:
    """Folder of the rendered shoot, rendered now unless an earlier run left it.

    With `keep_renders` a rendering of the same description counts even if the simulator's code changed since.
    """
    leanings = Leanings(kinds=ask.kinds, camera_data=ask.camera_data, calm=ask.calm)
    description = random_description(
        ask.sets, ask.seed, width_px=ask.width_px, leanings=leanings, quick=ask.quick
    )
    stem = f"{ask.seed}-{ask.width_px}-{key_of(description.model_dump(mode='json'))[:8]}"
    out = work / "shoots" / f"{stem}-{key_of(versions(('simulate', 'optics')))[:8]}"
    if keep_renders and not (out / "truth.json").exists():
        older = [p for p in sorted(out.parent.glob(f"{stem}-*")) if (p / "truth.json").exists()]
        if older:
            return older[-1]
    if not (out / "truth.json").exists():
        # Rendered aside, so that a run cut off leaves nothing half, and two runs do not meet.
        aside = out.with_name(f"{out.name}.{os.getpid()}")
        simulate(description, aside, workers=workers)
        shutil.rmtree(out, ignore_errors=True)
        aside.rename(out)
    return out


def reviewed(ask: Ask, work: Path, workers: int, keep_renders: bool = False) -> Reviewed:
    """Simulate and review one shoot (or take both from an earlier run of the same code) and read the tables."""
    shoot = simulated(ask, work, workers, keep_renders)
    out = work / "reviews" / f"{shoot.name}-{key_of(versions(REVIEW_ROOMS))[:12]}"
    if not (out / "run.json").exists():
        settings = Settings().model_copy(update={"run": Settings().run.model_copy(update={"workers": workers})})
        windstill.review(shoot / "DCIM", out, settings, cache=work / "measures").close()
    return read_review(ask, shoot, out)


def read_review(ask: Ask, shoot: Path, out: Path) -> Reviewed:
    """The tables of a finished review beside the truth."""
    truth = json.loads((shoot / "truth.json").read_text("utf-8"))
    tables = [_table(out / f"{name}.csv") for name in ("frames", "sets", "pairs")]
    tiles = pd.read_parquet(out / "tiles.parquet")
    for column in ("set_id", "frame_a", "frame_b"):
        tiles[column] = tiles[column].map(_decoded)
    return Reviewed(ask, shoot, _without_card(truth), *tables, tiles)


def _table(path: Path) -> pd.DataFrame:
    table = pd.read_csv(path, dtype=dict.fromkeys(TEXT, "string"), keep_default_na=False, na_values=[""])
    for column in ("frame", "set_id", "parent_set", "frame_a", "frame_b", "base_frame"):
        if column in table:
            table[column] = table[column].map(_decoded, na_action="ignore")
    for column in ("members", "keep_frames"):
        if column in table:
            cells = table[column].fillna("")
            table[column] = [[decode_name(part) for part in cell.split(";") if part] for cell in cells]
    return table


def _decoded(name: Any) -> Any:
    return decode_name(name) if isinstance(name, str) else name


def _without_card(value: Any) -> Any:
    """Truth names frames relative to the shoot's folder, the review to the folder it was given: DCIM."""
    if isinstance(value, dict):
        return {k: _without_card(v) for k, v in value.items()}
    if isinstance(value, list):
        return [_without_card(v) for v in value]
    return value.removeprefix("DCIM/") if isinstance(value, str) else value


def asks(
    first_seed: int, shoots: int, sets: int, width_px: int, kinds: Sequence[Kind] | None = None,
    camera_data: bool | None = None, quick: bool = False,
) -> list[Ask]:
    """Shoots of consecutive seeds."""
    only = tuple(kinds) if kinds else None
    return [Ask(first_seed + k, sets, width_px, only, camera_data, None, quick) for k in range(shoots)]
