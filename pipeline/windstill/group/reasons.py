"""Why a set was formed, in a photographer's words, and which frames could as well be outside."""

from __future__ import annotations

from windstill.group.costs import step_costs
from windstill.group.links import Gallery
from windstill.group.nest import Node
from windstill.settings.group import GroupSettings


def reasons(gallery: Gallery, node: Node, settings: GroupSettings) -> tuple[str, ...]:
    """Short phrases with numbers; none for a single frame."""
    del gallery, settings
    if not node.is_set:
        return ("no neighbour shares view, exposure or focus with it",)
    said: list[str] = []
    shifts = [100 * k.content.shift for k in node.links if k.content.view == "same"]
    overlaps = [100 * k.content.overlap for k in node.links if k.content.view == "overlap"]
    steps = [abs(k.ev) for k in node.links if k.ev is not None]
    written = [k for k in node.links if k.focus_step is not None]
    count = len(node.children)
    if node.kind == "bracket":
        span = max(node.levels) - min(node.levels)
        said.append(f"{count} exposures over {span:.1f} EV")
    elif node.kind == "stack":
        said.append(f"{count} focus positions, " + ("by written distance" if written else "by where it is sharp"))
    elif node.kind == "panorama" and overlaps:
        said.append(f"{count} views, neighbours overlap {min(overlaps):.0f}-{max(overlaps):.0f} %")
    elif node.kind == "burst":
        said.append(f"{count} frames of one view, nothing changed between them")
    if shifts:
        said.append(f"one view within {max(shifts):.1f} % of the width")
    if node.kind in ("stack", "burst") and steps and max(steps) < settings_even:
        said.append("exposure held")
    idles = [k.idle_s for k in node.links if k.idle_s is not None]
    if idles:
        said.append(f"pauses up to {max(idles):.1f} s")
    if any(k.mark > 0 for k in node.links):
        said.append("marked as one sequence by the camera")
    return tuple(said)


settings_even = 0.2


def doubtful_places(node: Node, settings: GroupSettings) -> set[int]:
    """Places whose link to the rest of the set costs nearly as much as a cut, or to the next set hardly more."""
    found = set(node.doubtful)
    for link, earlier, later in zip(node.links, node.children, node.children[1:], strict=False):
        cost = getattr(step_costs(link, settings, 1), node.kind)
        if cost > settings.set_nats - settings.doubt_nats:
            found.update((earlier.frames[-1], later.frames[0]))
    return found
