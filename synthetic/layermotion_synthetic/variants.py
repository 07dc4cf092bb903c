"""Owns what else happens in a clip: breathing at rest, a probe that slips, frames that are lost."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from layermotion.labels import Structure, View
from layermotion_synthetic.anatomy import chance, uniform
from layermotion_synthetic.clips import ClipPlan
from layermotion_synthetic.pose import rest_pose

# Quiet breathing at rest: breaths per minute, share by which TrA and IO thicken as the breath goes
# out, and travel of the bladder base, mm (our choice; that TrA and IO thicken as lung volume falls
# is published: Amerijckx et al. 2019, doi 10.1016/j.msksp.2019.102105).
BREATHS_PER_MIN = (10.0, 22.0)
THICKENING, TRAVEL_MM = (0.03, 0.16), (0.5, 3.0)
# Seconds in which a probe slips (our choice).
SLIP_S = (0.5, 2.0)


def with_breathing(rng: np.random.Generator, plan: ClipPlan, seconds: float) -> ClipPlan:
    """Rest with breathing that shows, in place of what the clip's task was.

    The probe moves as in the clip, held after the clip's end.
    """
    motion, stack = plan.motion, plan.scene.stack
    time = np.arange(0, seconds, 1 / plan.frame_rate_hz)
    held = np.minimum(np.arange(time.size), len(motion.poses) - 1)
    phase = 2 * np.pi * (time * uniform(rng, *BREATHS_PER_MIN) / 60 + rng.random())
    # Breathing out takes longer than breathing in.
    out = 0.5 - 0.5 * np.cos(phase + uniform(rng, 0.0, 0.5) * np.sin(phase))
    thickening, travel_mm = uniform(rng, *THICKENING), uniform(rng, *TRAVEL_MM)
    poses = []
    for breath, index in zip(out, held, strict=True):
        ratio = rest_pose(stack).ratio
        if plan.view is View.ABDOMINAL_WALL:
            for muscle in (Structure.TRA, Structure.IO):
                ratio[stack.index(muscle)] = 1 + thickening * breath
        lift_mm = travel_mm * float(breath) if plan.view is View.BLADDER else 0.0
        poses.append(replace(motion.poses[index], ratio=ratio, lift_mm=lift_mm))
    still = np.zeros(time.size)
    return replace(
        plan,
        motion=replace(
            motion,
            time_s=time,
            activation=still,
            poses=tuple(poses),
            turn_rad=motion.turn_rad[held],
            repeats=(),
            pattern="rest",
        ),
    )


def with_slip(rng: np.random.Generator, plan: ClipPlan, distance_mm: float) -> ClipPlan:
    """Let the probe slip by ``distance_mm`` in a clip, mostly along the skin.

    It slips at some time within the middle of the clip and stays where it came to.
    """
    time = plan.motion.time_s
    start_s, takes_s = uniform(rng, 0.2, 0.6) * float(time[-1]), uniform(rng, *SLIP_S)
    share = np.clip((time - start_s) / takes_s, 0, 1)
    moved = distance_mm * (0.5 - 0.5 * np.cos(np.pi * share))
    side, slope = (1 if chance(rng, 0.5) else -1), uniform(rng, -0.3, 0.3)
    poses = tuple(
        replace(
            pose,
            probe_lateral_mm=pose.probe_lateral_mm + side * float(np.cos(slope) * now),
            probe_depth_mm=pose.probe_depth_mm + float(np.sin(slope) * now),
        )
        for pose, now in zip(plan.motion.poses, moved, strict=True)
    )
    return replace(plan, motion=replace(plan.motion, poses=poses))


def frames_shown(rng: np.random.Generator, frames: int, lost: float) -> NDArray[np.intp]:
    """Index of the frame that a recorder shows in place of each: the last one where one is lost.

    Parameters
    ----------
    lost
        Share of the frames that are lost; the first is kept.
    """
    index = np.arange(frames)
    index[1:][rng.random(frames - 1) < lost] = 0
    return np.maximum.accumulate(index)
