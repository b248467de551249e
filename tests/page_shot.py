"""A made shot for the review page: a stand-in for the job that answers it, with pictures drawn from a seed."""

import copy
import hashlib
import json
from dataclasses import dataclass, field

import numpy as np

from lightstack.core.page.plate import ProxyBlend, ProxyStills
from lightstack.errors import SettingError
from lightstack.jobs.review.render import BuildState
from lightstack.jobs.review.review import PagePicture, StaleShot

WIDTH, HEIGHT, STILLS = 96, 54, 5
FIRST, LAST = 1001, 1024
FULL = (192, 108)
SPANS = [[1005, 1012, "general flashes"]]
PNG = bytes.fromhex(
    "89504e470d0a1a0a0000000d4948445200000001000000010806000000"
    "1f15c4890000000d49444154789c63606060f80f0001040100b55d1f0a0000000049454e44ae426082"
)


def make_stills(seed, groups, width=WIDTH, height=HEIGHT, count=STILLS):
    """Spots of light on noise, with a covered box each and their guides; rounded to half floats as they are sent."""
    draw = np.random.default_rng(seed)
    y, x = np.mgrid[:height, :width] / height
    ambient = (0.02 + 0.05 * x[..., None] * [1.0, 0.8, 0.6]).astype(np.float16).astype(np.float32)
    sigma = np.sqrt(1e-4 * ambient + 1e-5)
    light, valid, guide = [], [], []
    for k in range(count):
        far = (x - width / height * (k + 0.5) / count) ** 2 + (y - 0.5 + 0.2 * np.cos(2 * k)) ** 2
        clean = 0.4 / (1 + 20 * far)[..., None] * [0.9, 0.4, 1.0]
        light.append(clean + draw.normal(0, 1, ambient.shape) * sigma)
        cover = np.ones((height, width))
        cover[height // 3 : height // 2, k * width // 8 : k * width // 8 + width // 12] = [[0.0], [0.4]][k % 2]
        valid.append(cover)
        level = 2 * clean / (sigma + np.sqrt(sigma**2 + 1e-4 * clean)) + draw.normal(0, 0.1, clean.shape)
        guide.append(level if groups == 3 else level.mean(axis=2, keepdims=True))
    half = [np.asarray(part, np.float16).astype(np.float32) for part in (light, valid, guide)]
    return ProxyStills(*half, np.linspace(0.4, 1, count), np.full((count, 3), 1.1), ambient)


def make_blend(groups, rule="max", **more):
    weights = np.array([0.3, 0.3, 0.4]) if groups == 1 else np.full(3, 1 / 3)
    pulls = np.array([0.04, 0.05, 0.06])
    return ProxyBlend(
        rule, groups, np.full(3, 1e-4), np.full(3, 1e-5), weights, np.full(groups, 0.1), pulls, 5 * pulls, **more
    )


def describe_blend(blend):
    names = ("rule", "groups", "a", "b", "weights", "spread", "pull_faint", "pull_strong", "faint", "strong", "knee",
             "exponent", "white", "floor_sigma", "gate", "soft_gate")  # fmt: skip
    return {name: np.asarray(getattr(blend, name)).tolist() for name in names}


def decode_709(code):
    """ITU-R BT.709's curve, inverted: the light of codes 0..1."""
    return np.where(code < 0.081, code / 4.5, ((code + 0.099) / 1.099) ** (1 / 0.45))


DECODE = decode_709(np.arange(1024) / 1023)


@dataclass
class MadeReview:
    """Answers what the page asks, as `jobs.review.review.Review` does, from made pictures."""

    flash: str = "clear"
    name: str = "made"
    size: tuple = (WIDTH, HEIGHT)
    count: int = STILLS
    lights: dict = field(default_factory=dict)
    asked: list = field(default_factory=list)
    built: int = 1

    def __post_init__(self):
        self.stills = {name: make_stills(k, g, *self.size, self.count) for k, (name, g) in enumerate(GROUPS.items())}
        self.text = f'# mind the lamp\n[shot]\nname = "{self.name}"\n'
        self.state = BuildState()
        draw = np.random.default_rng(9)
        width, height = self.size
        self.codes = draw.integers(64, 700, (3, height, width, 3)).astype(np.uint32)
        y, x = np.mgrid[:height, :width]
        self.held = (255 * np.clip(2 - np.hypot(x - width * 0.6, y - height * 0.5) * 8 / height, 0, 1)).astype(np.uint8)
        self.on_figure = (0.2 * self.held[..., None] / 255 * [1.0, 0.5, 0.8]).astype(np.float16)

    # --- looking ---

    def describe(self, *, fresh=False):
        lights = [self._describe_light(name, k) for k, name in enumerate(GROUPS)]
        return {
            "name": self.name, "version": 1, "rate": [24, 1], "first": FIRST, "last": LAST, "size": list(FULL),
            "proxy": list(self.size), "hero": True, "elements": [], "grain": False, "holdout": True,
            "revision": 1, "built": self.built,
            "flash": {"state": self.flash, "spans": SPANS if self.flash == "failed" else []},
            "shot_file": {"name": "shot.toml", "sha256": self.file_sha256()}, "warnings": ["<b>mind</b> the lamp"],
            "view": {"kind": "hero", "transfer": "bt709", "description": "as filmed", "decode": DECODE.tolist(),
                     "encode_with": "decode", "matrix": np.eye(3).ravel().tolist()},
            "takes": [{"take": "hero", "grade": "usable", "sentences": ["It holds still."], "findings": [
                {"check": "focus", "level": "bad", "sentence": "<i>Soft</i> at the end.", "frames": [[1020, 1024]]}]}],
            "figure_lights": ["lamp"], "poses": [], "lights": lights,
            "sweeps": [{"name": f"sweep_{name}", "frames": [1, 60], "energy": np.hanning(60).tolist(),
                        "lamp_on": [True] * 60, "keys": [10, 20, 30, 40, 50][: self.count]} for name in GROUPS],
        }  # fmt: skip

    def _describe_light(self, name, k):
        stills, changed = self.stills[name], self.lights.get(name, {})
        points = changed.get("mix", {}).get("points", [[1004, 0.0], [1012, 0.5], [1020, 0.3]])
        return {
            "name": name, "sweep": f"sweep_{name}", "in_file": True, "using": "plate", "group": None, "rule": "max",
            "lay": "screen" if k else "plus", "screen_white": 1.0, "gel": [1.0, 0.9, 0.8], "figure_light": 0.5,
            "gain": gains_of(points), "path": None, "weights": None, "blend": describe_blend(make_blend(GROUPS[name])),
            "regel": None, "stills_key": f"sweep_{name}", "groups": {"left": [0, 1]},
            "mix": {"unit": "gain", "shape": "linear", "points": points, "envelope": None, "table": None,
                    "modulators": []},
            "stills": [
                {"index": i, "source_frame": 10 + 10 * i, "share": float(stills.shares[i]),
                 "gel_gain": stills.gains[i].tolist(), "stretch": 1, "groups": [],
                 "trim": {"name": str(10 + 10 * i), "gain": 1.0, "gel": [1.0, 1.0, 1.0]},
                 "built_trim": {"gain": 1.0, "gel": [1.0, 1.0, 1.0]}, "can_raise": True, "in_shot": None,
                 "place": [20.0 + 35 * (i % 5), 40.0 + 10 * np.cos(2 * i), i / self.count]}
                for i in range(self.count)
            ],
        }  # fmt: skip

    def still(self, light, index, *, half=False, filled=False):
        stills = self.stills[light]
        return self._pack(np.dstack([stills.light[index], stills.valid[index]]), half, "rgba16f")

    def guide(self, light, index, *, half=False):
        guide = self.stills[light].guide[index]
        full = guide if guide.shape[2] == 1 else np.dstack([guide, np.ones(guide.shape[:2])])
        return self._pack(full, half, "rgba16f" if guide.shape[2] == 3 else "r16f")

    def ambient(self, light, *, half=False):
        ambient = self.stills[light].ambient
        return self._pack(np.dstack([ambient, np.ones(ambient.shape[:2])]), half, "rgba16f")

    def _pack(self, picture, half, layout):
        if half:
            height, width = picture.shape[0] // 2 * 2, picture.shape[1] // 2 * 2
            picture = picture[:height, :width].reshape(height // 2, 2, width // 2, 2, -1).mean(axis=(1, 3))
        return PagePicture(picture.astype("<f2").tobytes(), picture.shape[1], picture.shape[0], layout)

    def hero_codes(self, frame):
        return self.codes[frame % len(self.codes)]

    def hero(self, frame):
        codes = self.hero_codes(frame)
        words = codes[..., 0] << 20 | codes[..., 1] << 10 | codes[..., 2]
        return PagePicture(words.astype("<u4").tobytes(), *self.size, "rgb10")

    def holdout(self, frame):
        return PagePicture(self.held.tobytes(), *self.size, "r8")

    def figure(self, light, frame):
        return PagePicture(self.on_figure.astype("<f2").tobytes(), *self.size, "rgb16f")

    def picture(self, what, frame, sweep):
        self.asked.append(("picture", what, frame, sweep))
        return PNG

    # --- trying and writing ---

    def file_sha256(self):
        return hashlib.sha256(self.text.encode()).hexdigest()

    def disk(self):
        return {"sha256": self.file_sha256(), "revision": 1, "built": self.built, "anew": False}

    def check_built(self, known):
        if known != str(self.built):
            raise StaleShot("the room was built anew: load this page again")

    def mix(self, light, mix):
        self.asked.append(("mix", light, mix))
        return {"gain": gains_of(mix["points"]), "warnings": []}

    def travel(self, light, points, group=None):
        self.asked.append(("travel", light, points, group))
        frames = range(FIRST, LAST + 1)
        rows = [[[k, weight] for k, weight in enumerate(self.weigh(frame)) if weight] for frame in frames]
        way = {"first": FIRST, "rows": rows, "places": [[0.125, -0.5, depth_at(frame)] for frame in frames]}
        return {"weights": way, "places": [], "clamped": [], "warnings": []}

    def weigh(self, frame):
        """Of every still on a frame of a way: five take part (the fifth one's stops need a second texel), or three."""
        weights = np.zeros(self.count)
        weights[:5] = [0.125, 0.25, 0.0625, 0.375, 0.1875] if frame % 2 == 0 else [0, 0.5, 0, 0.125, 0.375]
        return weights

    def lift(self, light, place, stills):
        """Stops that bend at every patch, each still's and each place's own."""
        self.asked.append(("lift", place, stills))
        chosen = [int(k) for k in stills.split(",")]
        stops = self.stops(float(place.split(",")[2]))[chosen]
        return PagePicture(stops.tobytes(), 8, 5 * len(chosen), "r16f")

    def stops(self, depth):
        """(count, 5, 8) half floats."""
        y, x, k = np.mgrid[:5, :8, : self.count].astype(float)
        return np.moveaxis(np.cos(1.3 * x + k) * np.sin(0.9 * y - k) + (depth - 1) * (k - 2), -1, 0).astype("<f2")

    def check(self, changes):
        self.asked.append(("check", changes))
        diff = f"--- a\n+++ b\n@@ -1 +1 @@\n # mind the lamp\n+{json.dumps(changes)}\n"
        return {"diff": diff, "sha256": self.file_sha256()}

    def write(self, changes, sha256):
        if sha256 != self.file_sha256():
            raise StaleShot("shot.toml has changed on disk since this page read it; nothing was written")
        self.asked.append(("write", copy.deepcopy(changes)))
        self.lights.update(changes.get("light", {}))
        self.text += f"# {json.dumps(changes)}\n"
        return {"sha256": self.file_sha256(), "revision": 2}

    # --- building ---

    def start_build(self):
        if self.state.state == "running":
            raise SettingError("a build is running already")
        self.state = BuildState("running", "plate", 3, 10, "violet", self.state.number + 1)
        return self.state

    def cancel_build(self):
        self.state = BuildState("stopped", number=self.state.number + 1)
        return True

    def build_state(self):
        return self.state


GROUPS = {"lamp": 1, "glow": 3}


def depth_at(frame):
    """How far the light of a made way is on a frame, exact in decimals."""
    return 1 + (frame - FIRST) / 64


def gains_of(points):
    frames, values = zip(*[point[:2] for point in points], strict=True)
    return np.interp(np.arange(FIRST, LAST + 1), frames, values).tolist()
