"""Masks of where a merge needs the hand, over the base frame of each set, and which frame holds each place best."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

import cv2
import numpy as np

import windstill
from windstill.assess.geometry import Matrix
from windstill.handover.chain import mappings_to
from windstill.handover.drawing import Mask, Plane, softened
from windstill.handover.files import Taken
from windstill.handover.holds import Holders, from_coverage, from_sharpness, index_map
from windstill.handover.marks import changed_mask, gaps_mask, smear_mask, sway_mask
from windstill.handover.maskfiles import SUFFIX, Form, remove_old, write_holders, write_legend, write_picture
from windstill.handover.names import portable, shortened
from windstill.handover.paths import UnsafePath, below, shown
from windstill.handover.plan import set_folders
from windstill.handover.runfolder import FinishedReview, FrameRow, PairRow, SetRow, read_pairs
from windstill.handover.tiles import PairTiles, tiles_by_set
from windstill.records import Review, SetMeasure, encode_name
from windstill.run.errors import ReviewError
from windstill.run.progress import Progress, Silent
from windstill.settings import AssessSettings
from windstill.settings.handover import HandoverSettings

LEGEND, HOLDS = "legend.txt", "holds.csv"
_WITH_GAPS = ("stack", "bracket")
_TILES_ALONG = 80  # of the long side: the coarsest tiles the contract allows
_SAYS = {
    "sway": "the subject moved by more than {tolerance:g} px between two frames the merge draws on; marked is where "
    "it was and where it went. Take such a place from one frame.",
    "changed": "two frames the merge draws on differ in a way no movement explains (waves, clouds, people). Take such "
    "a place from one frame.",
    "smear": "a frame the merge draws on is smeared by more than {tolerance:g} px.",
    "gaps": "no frame holds this place: sharp in none of them, or well exposed in none.",
}


@dataclass(slots=True)
class SetMasks:
    """What was written of one set: percent of the picture by mask, largest first."""

    folder: str
    base: str
    outlook: str
    marked_pct: dict[str, float] = field(default_factory=dict)
    holds: bool = False


@dataclass(slots=True)
class Masked:
    """What was done; `problems` are lines for the user."""

    folder: Path
    sets: list[SetMasks] = field(default_factory=list)
    files: int = 0
    problems: list[str] = field(default_factory=list)


def write_masks(
    review: FinishedReview,
    record: Review | None,
    sets: Sequence[SetRow],
    dest: Path,
    form: Form,
    settings: HandoverSettings,
    progress: Progress | None = None,
) -> Masked:
    """Draw and write the masks of every set that is merged, at every level.

    Parameters
    ----------
    review : FinishedReview
        Sway comes from its tiles.parquet and pairs.csv.
    record : Review or None
        The same review with its measures, for smear, gaps and which frame holds what; without it these are left out,
        but for the frames of stacks and bursts, which are then told by their sharpness.
    sets : sequence of SetRow
        Sets without a parent, as `choose_sets` gives them; their children follow.
    dest : Path
        Folder for the masks, absolute; created when missing.

    Raises
    ------
    ReviewError
        The tables cannot be read, or the folder cannot be written.
    """
    progress = progress or Silent()
    job = _Masking(review, record, dest, form, settings)
    folders = {
        set_id: folder
        for set_id, folder in set_folders(review, sets).items()
        if review.by_set()[set_id].kind != "single"
    }
    progress.stage("drawing masks", len(folders))
    waiting = dict(folders)
    try:
        for set_id, tiles in tiles_by_set(review.out / "tiles.parquet"):
            if set_id in waiting:
                job.write_set(review.by_set()[set_id], waiting.pop(set_id), tiles)
                progress.step()
        for set_id, folder in waiting.items():
            job.write_set(review.by_set()[set_id], folder, [])
            progress.step()
    except OSError as err:
        raise ReviewError(f"{shown(err.filename or dest)}: cannot be written ({err.strerror})") from err
    order = {folder: number for number, folder in enumerate(folders.values())}
    job.result.sets.sort(key=lambda masks: order[masks.folder])
    return job.result


class _Masking:
    def __init__(
        self, review: FinishedReview, record: Review | None, dest: Path, form: Form, settings: HandoverSettings
    ) -> None:
        self.record, self.dest, self.form, self.settings = record, dest, form, settings
        self.frames: Mapping[str, FrameRow] = review.by_frame()
        self.rows = review.by_set()
        self.pairs = read_pairs(review)
        self.assess = _assess_settings(review)
        self.result = Masked(dest)

    def write_set(self, row: SetRow, folder: str, tiles: Sequence[PairTiles]) -> None:
        measure = self.record.measures.get(row.set_id) if self.record is not None else None
        bases = self._bases(row)
        masks = SetMasks(folder, bases[0] if bases else "", row.outlook)
        lines = [f"{encode_name(row.set_id)}, outlook {row.outlook}; windstill {windstill.__version__}", ""]
        written: list[str] = []
        frames = self.frames
        tiles = [
            pair.within(frames[pair.frame_a].width_px, frames[pair.frame_a].height_px)
            for pair in tiles
            if pair.frame_a in frames
        ]
        try:
            place = self._make_folder(folder)
            for base in bases:
                several = len(bases) > 1
                lines += self._write_over(row, base, tiles, measure, place, masks, written, several=several)
            out = [name for name in row.members if name in self.frames and name not in row.keep_frames]
            if out and row.keep_frames:
                names = ", ".join(encode_name(name) for name in out)
                alone = len(row.keep_frames) == 1
                would = f"use {encode_name(row.keep_frames[0])} alone" if alone else f"merge without {names}"
                lines.append(f"The review would {would}: what is marked for frames left out alone then falls away.")
            if not bases:
                lines.append("No frame of this set was measured: nothing could be drawn.")
            write_legend(place / LEGEND, lines)
            remove_old(place, written)
        except (Taken, UnsafePath) as err:
            self.result.problems.append(f"{shown(folder)}: {err}")
        except np.linalg.LinAlgError:
            self.result.problems.append(f"{shown(folder)}: its camera mappings make no sense; review the shoot again")
        self.result.files += len(written)
        self.result.sets.append(masks)

    def _bases(self, row: SetRow) -> list[str]:
        """The pictures masks are drawn over: the base frame; of a panorama every view, as a seam lies in two."""
        names = [row.base_frame]
        if row.kind == "panorama":
            own = [pair for pair in self.pairs if pair.set_id == row.set_id]
            names = list(dict.fromkeys(name for pair in own for name in (pair.frame_a, pair.frame_b))) or names
        return [name for name in names if name in self.frames and self.frames[name].width_px > 0]

    def _write_over(
        self,
        row: SetRow,
        base: str,
        tiles: Sequence[PairTiles],
        measure: SetMeasure | None,
        place: Path,
        masks: SetMasks,
        written: list[str],
        *,
        several: bool,
    ) -> list[str]:
        frame = self.frames[base]
        plane = Plane.of(frame.width_px, frame.height_px, self.settings.mask_plane_px)
        chain = mappings_to(base, self._pairs_in(row), self.frames)
        least = self.settings.mask_least_tiles
        tolerance = row.tolerance_px or self.assess.tolerance_px
        view = base if row.kind == "panorama" else None
        near = [pair for pair in tiles if view is None or view in (pair.frame_a, pair.frame_b)]
        drawn: dict[str, Mask | None] = {
            "sway": sway_mask(near, chain, plane, tolerance, self.assess, least),
            "changed": changed_mask(near, chain, plane, self.assess, least),
            "smear": None,
            "gaps": None,
        }
        if measure is not None and self.record is not None:
            drawn["smear"] = smear_mask(measure, self.record.scores, chain, plane, tolerance, self.assess, least, view)
            coverage = measure.coverage
            if coverage is not None and measure.frames[0] in chain:
                drawn["gaps"] = gaps_mask(coverage, chain[measure.frames[0]], plane)
        if row.kind not in _WITH_GAPS:
            drawn.pop("gaps")
        mark = f"-{_short(base)}" if several else ""
        feather = self.settings.mask_feather_tiles * max(plane.drawn_width, plane.drawn_height) / _TILES_ALONG
        lines = [
            f"Over {encode_name(base)}, upright, {frame.width_px} x {frame.height_px} px. White marks, black does not; "
            f"edges fade over {feather / plane.scale:.0f} px."
        ]
        empty, unknown = [], []
        for what, mask in drawn.items():
            if mask is None:
                unknown.append(what)
            elif not mask.any():
                empty.append(what)
            else:
                name = f"{what}{mark}{SUFFIX[self.form]}"
                share = 100 * float(np.mean(mask > 0))
                write_picture(place / name, plane.full_size(softened(mask, feather)), self.form)
                written.append(name)
                masks.marked_pct[what] = max(masks.marked_pct.get(what, 0.0), share)
                lines.append(f"{name}: {share:.2f} % of the picture: {_SAYS[what].format(tolerance=tolerance)}")
        if view is None:
            lines += self._write_holders(row.kind, measure, near, chain, plane, place, masks, written)
        if empty:
            lines.append(f"Nothing to mark: {', '.join(empty)}.")
        if unknown:
            lines.append(f"Not known without the photographs and their measures: {', '.join(unknown)}.")
        return [*lines, ""]

    def _write_holders(
        self,
        kind: str,
        measure: SetMeasure | None,
        tiles: Sequence[PairTiles],
        chain: Mapping[str, Matrix],
        plane: Plane,
        place: Path,
        masks: SetMasks,
        written: list[str],
    ) -> list[str]:
        holders: Holders | None = None
        if measure is not None and measure.coverage is not None and measure.frames[0] in chain:
            holders = from_coverage(measure.coverage, measure.frames, chain[measure.frames[0]])
        elif kind != "bracket":
            holders = from_sharpness(tiles, chain, plane.width_px, plane.height_px)
        if holders is None:
            return []
        name = f"holds{SUFFIX[self.form]}"
        index = plane.full_size(index_map(holders, plane), cv2.INTER_NEAREST)
        write_picture(place / name, index, self.form)
        write_holders(place / HOLDS, holders.frames, index)
        written.append(name)
        masks.holds = True
        return [
            f"{name}: which frame holds each place best, a grey value for each; {HOLDS} names them. 0: none needed, or "
            "none does."
        ]

    def _pairs_in(self, row: SetRow) -> Iterable[PairRow]:
        """The pairs of a set and of all sets inside it."""
        inside = {row.set_id}
        for other in self.rows.values():  # parents stand before their children
            if other.parent_set in inside:
                inside.add(other.set_id)
        return (pair for pair in self.pairs if pair.set_id in inside)

    def _make_folder(self, folder: str) -> Path:
        place = below(self.dest, f"{folder}/{LEGEND}").parent
        if os.path.lexists(place) and (place.is_symlink() or not place.is_dir()):
            raise UnsafePath(f"{shown(place)} is not a folder")
        place.mkdir(parents=True, exist_ok=True)
        return place


def _assess_settings(review: FinishedReview) -> AssessSettings:
    """The settings the review was judged by; the defaults where run.json does not hold them."""
    try:
        return AssessSettings.model_validate(review.run["settings"]["assess"])
    except (KeyError, TypeError, ValueError):
        return AssessSettings()


def _short(frame: str) -> str:
    return shortened(portable(PurePosixPath(frame).name), 80)
