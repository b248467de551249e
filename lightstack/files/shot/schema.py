"""The shot file's schema: every section and key, with type, unit, default and meaning.

``files.shot.shotfile`` reads a file into these models, ``files.shot.keytable`` turns them into the table of the
README. Everything is frozen, unknown keys are refused, numbers are not guessed from text.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, PrivateAttr

from lightstack.files.shot.schema_camera import Camera
from lightstack.files.shot.schema_clean import Clean
from lightstack.files.shot.schema_cluster import Cluster
from lightstack.files.shot.schema_element import Element, ElementWishes
from lightstack.files.shot.schema_flash import Flash
from lightstack.files.shot.schema_grain import Grain
from lightstack.files.shot.schema_holdout import Holdout, HoldoutMatte, HoldoutShape
from lightstack.files.shot.schema_keys import Section, key
from lightstack.files.shot.schema_light import Light, Regel
from lightstack.files.shot.schema_mix import Envelope, Mix, Response
from lightstack.files.shot.schema_modulators import Flicker, Follow, Pulse
from lightstack.files.shot.schema_patch import Patch, PatchDrawing, PatchShape
from lightstack.files.shot.schema_render import Render
from lightstack.files.shot.schema_takes import Block, BlockShape, Sweep, Takes, TakeSettings, Trim
from lightstack.files.shot.schema_travel import Group, LightPath
from lightstack.files.shot.schema_types import FrameRange, Frames, Name, Rate, Text

__all__ = [
    "LATER_SECTIONS",
    "Block",
    "BlockShape",
    "Camera",
    "Clean",
    "Cluster",
    "Element",
    "ElementWishes",
    "Envelope",
    "Flash",
    "Flicker",
    "Follow",
    "Grain",
    "Group",
    "Holdout",
    "HoldoutMatte",
    "HoldoutShape",
    "Light",
    "LightPath",
    "Mix",
    "Patch",
    "PatchDrawing",
    "PatchShape",
    "Preview",
    "Pulse",
    "Regel",
    "Render",
    "Response",
    "Shot",
    "ShotSettings",
    "Sweep",
    "TakeSettings",
    "Takes",
    "Trim",
]

# Accepted by name, so that files written for a later version are recognised, but not built yet.
LATER_SECTIONS: dict[str, str] = {}


class Shot(Section):
    """``[shot]``"""

    name: Name = key(
        "shot",
        "Name of the shot; it begins the names of the files.",
        kind="text",
        shown="the shot file's name, or its folder's where the file is called `shot.toml`",
    )
    frames: FrameRange | None = key(
        None,
        "Shot frames to build, inclusive.",
        kind="[first, last]",
        unit="shot frame",
        shown="the whole hero",
    )
    first_frame: Annotated[int, Field(ge=0, le=10_000_000)] = key(
        1001, "Number of the hero's first frame.", kind="whole number", unit="shot frame"
    )
    handles: Annotated[int, Field(ge=0, le=10_000)] = key(
        0,
        "Frames built beyond each end of `frames`; the hero must have them.",
        kind="whole number",
        unit="frames",
    )
    rate: Rate | None = key(
        None, "Frame rate, exact.", kind='25 or "24000/1001"', unit="frames/s", shown="the hero's own"
    )
    version: Annotated[int, Field(ge=1, le=999)] = key(
        1, "Version in the file names (`v001`); an older version is never overwritten.", kind="whole number"
    )
    out: Text = key("out", "Folder for the results, relative to the shot file.", kind="path")
    working: Text = key(
        "hero",
        "Primaries of the linear light that everything is made in: the hero's own, or a named space.",
        kind="name",
    )
    reference: Annotated[int, Field(ge=0, le=10_000_000)] | None = key(
        None,
        "Hero frame that every take is registered to.",
        kind="whole number",
        unit="shot frame",
        shown="the first of `frames`",
    )


class Preview(Section):
    """``[preview]``"""

    view: Text = key(
        "hero",
        'How the preview is shown: the hero\'s own encoding, or "display/view" of the colour configuration.',
        kind="name",
        shown="`hero`; for log, EXR and DPX heroes the configuration's default view",
    )
    frames: Frames = key(
        (), "Frames of the contact sheet.", kind="list", unit="shot frame", shown="chosen from the mix"
    )
    codec: Literal["h264"] = key("h264", "Codec of the preview.", kind="choice")
    quality: Annotated[int, Field(ge=0, le=51)] = key(
        18, "Constant rate factor: lower is better and larger.", kind="whole number"
    )


class ShotSettings(Section):
    """A whole shot file, checked; paths are as written, relative to ``folder``."""

    shot: Shot = Shot()
    takes: Takes = Takes()
    sweep: tuple[Sweep, ...] = ()
    light: tuple[Light, ...] = ()
    patch: tuple[Patch, ...] = ()
    element: tuple[Element, ...] = ()
    clean: Clean | None = None
    grain: Grain | None = None
    holdout: Holdout | None = None
    render: Render | None = None
    camera: Camera | None = None
    preview: Preview = Preview()
    flash: Flash = Flash()
    cluster: Cluster | None = Field(None, exclude=True)  # changes no result, and names machines: in none of them
    _path: Path = PrivateAttr(default=Path("shot.toml"))

    @property
    def path(self) -> Path:
        """The shot file itself."""
        return self._path

    @property
    def out(self) -> Path:
        """The folder for the results."""
        return self.locate(self.shot.out)

    def locate(self, path: str) -> Path:
        """Resolve a path of the shot file against the shot file's folder."""
        return self._path.parent / path

    def take_paths(self, take: TakeSettings) -> tuple[Path, ...]:
        """Resolve a take's paths against the shot file's folder."""
        return tuple(self.locate(path) for path in take.path)

    def list_takes(self) -> tuple[TakeSettings, ...]:
        """List every take and sweep, in the order of the schema."""
        named = (getattr(self.takes, name) for name in type(self.takes).model_fields)
        return (*(take for take in named if take is not None), *self.sweep, *self.element)

    def find_sweep(self, name: str) -> Sweep:
        """Return the sweep of that name. Raises KeyError if there is none."""
        for sweep in self.sweep:
            if sweep.name == name:
                return sweep
        raise KeyError(name)

    def with_section(self, **sections: Section) -> ShotSettings:
        """Return the settings with other sections than the file's."""
        changed = self.model_copy(update=sections)
        changed._path = self._path
        return changed
