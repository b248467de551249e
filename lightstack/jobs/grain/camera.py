"""The camera's grain, ready to be laid over frames."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from lightstack.core.grain.topup import full_grain, top_up_grain
from lightstack.errors import UnusableTake
from lightstack.files.shot.schema import Grain, ShotSettings
from lightstack.jobs.grain.stage import grain_or_recall, list_grain_files
from lightstack.jobs.stage.finish import Delivery
from lightstack.jobs.stage.hero import HeroPart
from lightstack.jobs.takes.options import BuildOptions
from lightstack.records import FloatArray, GrainProfile, HeroLook, Progress

__all__ = ["CameraGrain", "FoundGrain", "find_grain"]


@dataclass(frozen=True, slots=True)
class CameraGrain:
    """A grain profile with how much of it is laid and its seed."""

    profile: GrainProfile
    amount: float
    seed: int

    def top_up(
        self, lit: FloatArray, hero: FloatArray, bare: FloatArray | None, *, shot_frame: int, field: int
    ) -> FloatArray:
        """Return what is missing of the grain that the camera would have made, as `top_up_grain`."""
        return top_up_grain(
            lit, hero, bare, self.profile, seed=self.seed, frame=shot_frame, field=field, amount=self.amount
        )

    def cover(self, picture: FloatArray, *, shot_frame: int, field: int) -> FloatArray:
        """Return grain for a picture that has none, as `full_grain`."""
        return full_grain(picture, self.profile, seed=self.seed, frame=shot_frame, field=field, amount=self.amount)


@dataclass(frozen=True, slots=True)
class FoundGrain:
    """A shot's grain, or why there is none; ``inputs``: what frames depend on by it."""

    grain: CameraGrain | None
    inputs: dict[str, Any]
    files: tuple[tuple[str, str], ...] = ()
    warnings: tuple[str, ...] = ()


def find_grain(
    delivery: Delivery,
    settings: ShotSettings,
    hero: HeroPart,
    seen: HeroLook,
    options: BuildOptions,
    *,
    force: bool,
    progress: Progress,
) -> FoundGrain:
    """Build or recall the grain that is laid over the shot's frames.

    Without a `[grain]` it is measured from the hero, and where that cannot be done the frames get none and a warning
    says so. Raises as `grain_or_recall` where the shot file asks for grain.
    """
    wish = settings.grain or Grain()
    if wish.amount == 0:
        return FoundGrain(None, {"amount": 0})
    asked = settings if settings.grain is not None else settings.with_section(grain=wish)
    try:
        profile = grain_or_recall(delivery, asked, hero, seen, options, force=force, progress=progress)
    except UnusableTake as error:
        if settings.grain is not None:
            raise
        line = f"grain: none is laid, because it could not be measured: {error}"
        return FoundGrain(None, {"failed": str(error)}, warnings=(line,))
    assert profile is not None
    files = list_grain_files(delivery)
    digest = delivery.book.identity(delivery.folder.file(files[0][0]))
    inputs = {"amount": wish.amount, "seed": wish.seed, "profile": digest}
    return FoundGrain(CameraGrain(profile, wish.amount, wish.seed), inputs, files, profile.warnings)
