"""What the page shows, ready for the templates: every value already in words, every picture a source."""

from __future__ import annotations

from dataclasses import dataclass

from windstill.records import worth_saying
from windstill.report.overlay import LegendEntry
from windstill.report.pictures import Picture


@dataclass(frozen=True, slots=True)
class FrameCard:
    """One frame in a strip."""

    anchor: str
    name: str
    title: str
    picture: Picture | None
    step: str
    detail: str
    keep: str
    base: bool
    note: str


@dataclass(frozen=True, slots=True)
class StripGroup:
    """The frames of one set in capture order, those of a child set as a group of their own."""

    label: str
    outlook: str
    members: tuple[FrameCard | StripGroup, ...]


@dataclass(frozen=True, slots=True)
class Layer:
    """One map over a plate."""

    key: str
    overlay: Picture
    says: str


@dataclass(frozen=True, slots=True)
class Ring:
    """The worst place, in the plate's full-resolution pixels."""

    x: float
    y: float
    width: int
    height: int

    @property
    def radius(self) -> float:
        """Large enough to see, whatever the picture's size."""
        return 0.03 * max(self.width, self.height)


@dataclass(frozen=True, slots=True)
class Plate:
    """The picture of one frame with the maps that belong on it."""

    frame: str
    base: Picture
    layers: tuple[Layer, ...]
    ring: Ring | None = None


@dataclass(frozen=True, slots=True)
class Crops:
    """The worst place of a pair at 100 %."""

    a: Picture
    b: Picture
    a_name: str
    b_name: str
    where: str


@dataclass(frozen=True, slots=True)
class PairLine:
    """One judged pair in words."""

    a: str
    b: str
    a_card: str
    sway: str
    area: str
    measured: str
    where: str
    worst: bool
    failed: str
    overlay: Picture | None
    ring: Ring | None


@dataclass(frozen=True, slots=True)
class Figure:
    """One number of a set, with what it means."""

    label: str
    value: str
    hint: str


@dataclass(frozen=True, slots=True)
class SetCard:
    """One set as the page shows it."""

    anchor: str
    number: int
    title: str
    folder: str
    kind: str
    kind_words: str
    outlook: str
    means: str
    scene: int
    take: int
    takes: int
    when: str
    lasted: str
    advice: str
    reasons: tuple[str, ...]
    best: bool
    way_out: str
    goes_back: bool
    single_way_out: str
    figures: tuple[Figure, ...]
    strip: StripGroup | None
    cover: Picture | None
    plates: tuple[Plate, ...]
    choices: tuple[str, ...]
    legend: tuple[LegendEntry, ...]
    coverage_scale: tuple[tuple[str, str], ...]
    crops: Crops | None
    graph: Picture | None
    graph_says: str
    pairs: tuple[PairLine, ...]
    base_name: str
    keep_count: int
    keep_files: tuple[str, ...]
    why: str
    doubtful: str
    map_file: str
    sort_sway: float
    sort_area: float
    children: tuple[SetCard, ...] = ()

    @property
    def all_in_one(self) -> bool:
        """Whether there is anything to merge."""
        return self.kind != "single"

    @property
    def judged(self) -> bool:
        """Whether its outlook is told."""
        return worth_saying(self.kind, self.outlook)

    @property
    def reason(self) -> str:
        """The main reason in one phrase."""
        return self.reasons[0] if self.reasons else "no reason given"


@dataclass(frozen=True, slots=True)
class TakeGroup:
    """Several takes of one kind of set in a scene."""

    kind: str
    cards: tuple[SetCard, ...]


@dataclass(frozen=True, slots=True)
class SceneCard:
    """One composition, with everything shot of it."""

    number: int
    when: str
    about: str
    best: SetCard | None
    best_says: str
    cards: tuple[SetCard, ...]
    takes: tuple[TakeGroup, ...]


@dataclass(frozen=True, slots=True)
class Page:
    """Everything the templates need."""

    shoot: str
    when: str
    headline: str
    detail: str
    scenes: tuple[SceneCard, ...]
    tally: tuple[tuple[str, str, int], ...]
    outlooks: tuple[tuple[str, str], ...]
    merge: tuple[SetCard, ...]
    trouble: tuple[SetCard, ...]
    goes_back: bool
    frames: int
    problems: tuple[tuple[str, str, str, str], ...]
    unplaced: tuple[tuple[str, str], ...]
    tolerance: str
    summary_lines: int
    version: str
    kinds: tuple[str, ...]
    in_folder: bool

    @property
    def cards(self) -> list[SetCard]:
        """All top-level sets, scene by scene."""
        return [card for scene in self.scenes for card in scene.cards]
