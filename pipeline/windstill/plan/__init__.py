"""Planning a shot before or on location: on `optics` alone, without looking at a picture."""

from __future__ import annotations

from typing import TYPE_CHECKING

from windstill.lazily import loaded_on_use

if TYPE_CHECKING:
    from windstill.plan.asjson import to_json
    from windstill.plan.card import render_card
    from windstill.plan.cautions import CAUTIONS
    from windstill.plan.request import PlanRequest
    from windstill.plan.result import Plan
    from windstill.plan.shot import plan_shot
    from windstill.plan.terminal import render_terminal

__all__ = ["CAUTIONS", "Plan", "PlanRequest", "plan_shot", "render_card", "render_terminal", "to_json"]

__getattr__ = loaded_on_use(__name__, {
    "to_json": "asjson", "render_card": "card", "CAUTIONS": "cautions", "PlanRequest": "request", "Plan": "result",
    "plan_shot": "shot", "render_terminal": "terminal",
})
