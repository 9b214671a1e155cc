"""The whole job, step by step: the only part that knows the order of the steps.

Every answer is a pure function of the ground, the notebook, the settings and a date; nothing is remembered
between calls.
"""

from __future__ import annotations

from washgrade.survey.answers import Estimate, estimate, estimate_on, grade_as_json, reach_grades
from washgrade.survey.belief import NextSample, compare, diagnose, holes, learnt, next_samples, repeats, why
from washgrade.survey.cleaning import CleanupPlan, plan_cleanup
from washgrade.survey.dayplan import DayPlan
from washgrade.survey.days import plan_digging_day, write_day
from washgrade.survey.health import Check, check
from washgrade.survey.history import ReachHistory, reach_history
from washgrade.survey.land import GroundMade, build_ground
from washgrade.survey.outputs import export, save_page, write_page
from washgrade.survey.pageview import page_view
from washgrade.survey.perhour import PerHour, per_hour
from washgrade.survey.printed import save_sheet, sheet_view, write_sheet
from washgrade.survey.ranking import Ranking, rank
from washgrade.survey.records import (
    Entered,
    add,
    enter,
    gauge_storm,
    look_over,
    notebook,
    records,
    records_as_json,
    strike,
    undo_strike,
)
from washgrade.survey.showcase import Demo, run_demo
from washgrade.survey.steps import change_settings, settings
from washgrade.survey.storms import StormsTold, learnt_sentences, storms
from washgrade.survey.tell import tell_record
from washgrade.survey.walks import WalkPlan, plan_sampling_walk, write_walk

__all__ = [
    "Check",
    "CleanupPlan",
    "DayPlan",
    "Demo",
    "Entered",
    "Estimate",
    "GroundMade",
    "NextSample",
    "PerHour",
    "Ranking",
    "ReachHistory",
    "StormsTold",
    "WalkPlan",
    "add",
    "build_ground",
    "change_settings",
    "check",
    "compare",
    "diagnose",
    "enter",
    "estimate",
    "estimate_on",
    "export",
    "gauge_storm",
    "grade_as_json",
    "holes",
    "learnt",
    "learnt_sentences",
    "look_over",
    "next_samples",
    "notebook",
    "page_view",
    "per_hour",
    "plan_cleanup",
    "plan_digging_day",
    "plan_sampling_walk",
    "rank",
    "reach_grades",
    "reach_history",
    "records",
    "records_as_json",
    "repeats",
    "run_demo",
    "save_page",
    "save_sheet",
    "settings",
    "sheet_view",
    "storms",
    "strike",
    "tell_record",
    "undo_strike",
    "why",
    "write_day",
    "write_page",
    "write_sheet",
    "write_walk",
]
