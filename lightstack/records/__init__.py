"""Frozen records that travel between the rooms.

Conventions that every record follows:

* Light is linear, float32, ``(H, W, 3)``; 1.0 is reference white.
* Picture coordinates are pixels of the upright full-size hero, x right, y down, pixel centres at .5.
* A *source frame* is counted from 1 at a movie's first decoded frame (numbered stills keep their own
  number); a *shot frame* belongs to the hero. Ranges are inclusive.
* A pose is a 3 x 3 float64 matrix M in those coordinates: the registered picture at x is the take's
  picture at M x (M maps the registration origin into the take).
"""

from __future__ import annotations

from lightstack.records.batch import BatchShot
from lightstack.records.findings import (
    GRADES,
    NOT_CHECKED,
    Figure,
    Finding,
    FrameSpan,
    Panel,
    PanelLine,
    PlaceView,
    TakeFindings,
)
from lightstack.records.flash import FlashPlace, FlashReport, FlashSpan, FlashTable
from lightstack.records.followed import FollowedLevel
from lightstack.records.grain import GrainDetail, GrainProfile
from lightstack.records.held import BuiltHoldout, BuiltSet, HeldFrame, HoldoutReport, PulledMatte
from lightstack.records.lamps import (
    LampPlaces,
    LampShades,
    LampView,
    LightReport,
    LightWay,
    LitSet,
    TargetMatch,
    TravelPlan,
)
from lightstack.records.measured import (
    BoolArray,
    Choice,
    CodedFrame,
    Encoding,
    FloatArray,
    FrameTable,
    LampStill,
    MeasuredResponse,
    MixCurve,
    NoiseModel,
    ProxyTake,
    Registration,
    Stretch,
    TakeInfo,
)
from lightstack.records.regel import RegelReport
from lightstack.records.stills import GuideRecipe, StillNotes
from lightstack.records.told import (
    BuiltClean,
    BuiltPatches,
    BuiltSweep,
    CleanReport,
    HeroLook,
    Hole,
    KeyFrame,
    LaidFrame,
    LaidFrames,
    Origin,
    PatchLight,
    PatchMatch,
    PatchReport,
    Progress,
    RestPicture,
    ShotReport,
    Step,
    SweepPictures,
    SweepReport,
    Verdict,
)
from lightstack.records.tossed import TossedTry

__all__ = [
    "GRADES",
    "NOT_CHECKED",
    "BatchShot",
    "BoolArray",
    "BuiltClean",
    "BuiltHoldout",
    "BuiltPatches",
    "BuiltSet",
    "BuiltSweep",
    "Choice",
    "CleanReport",
    "CodedFrame",
    "Encoding",
    "Figure",
    "Finding",
    "FlashPlace",
    "FlashReport",
    "FlashSpan",
    "FlashTable",
    "FloatArray",
    "FollowedLevel",
    "FrameSpan",
    "FrameTable",
    "GrainDetail",
    "GrainProfile",
    "GuideRecipe",
    "HeldFrame",
    "HeroLook",
    "HoldoutReport",
    "Hole",
    "KeyFrame",
    "LaidFrame",
    "LaidFrames",
    "LampPlaces",
    "LampShades",
    "LampStill",
    "LampView",
    "LightReport",
    "LightWay",
    "LitSet",
    "MeasuredResponse",
    "MixCurve",
    "NoiseModel",
    "Origin",
    "Panel",
    "PanelLine",
    "PatchLight",
    "PatchMatch",
    "PatchReport",
    "PlaceView",
    "Progress",
    "ProxyTake",
    "PulledMatte",
    "RegelReport",
    "Registration",
    "RestPicture",
    "ShotReport",
    "Step",
    "StillNotes",
    "Stretch",
    "SweepPictures",
    "SweepReport",
    "TakeFindings",
    "TakeInfo",
    "TargetMatch",
    "TossedTry",
    "TravelPlan",
    "Verdict",
]
