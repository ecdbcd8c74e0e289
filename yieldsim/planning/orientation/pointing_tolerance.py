"""How well a facing must be held: what is lost when the aperture is off or rolled, and on a mast that leans or is
turned. Every error turns the mount as a rigid whole: a lean that swings its azimuth takes the optics' axes along."""

from __future__ import annotations

import numpy as np

from yieldsim.base.numerics.vectors import FloatArray, angle_between_deg
from yieldsim.base.results.orient import MastResult, OffPointing
from yieldsim.planning.orientation.mount_frames import Facings, leaned, on_a_crooked_mast, together
from yieldsim.planning.orientation.objectives import Prospect

OFF_DEG = (0.5, 1.0, 2.0, 3.0, 5.0, 7.0, 10.0)
WAYS, MASTS, RIM = 36, 500, 24
"""Directions an aperture is off in; crooked masts that a mean is taken over, and directions of leans of full size that the worst is
looked for in."""
STRIDE = 1.0 / 1.2207440846057594 ** np.arange(1, 4)
"""Multiples of these, less their whole parts, fill a cube evenly: powers of the root of x^4 = x + 1 (M. Roberts,
"The unreasonable effectiveness of quasirandom sequences", 2018, from memory)."""


def losses_when_off(
    prospect: Prospect, facing: Facings, off_deg: tuple[float, ...] = OFF_DEG
) -> list[OffPointing]:
    """Share of the annual energy lost when the aperture is off by given angles: the mean over all directions and
    the worst; for two-angle optics also when it is rolled by as much about its normal, the worse way."""
    toward = np.tile(np.linspace(0.0, 350.0, WAYS), len(off_deg))
    some = [leaned(facing, np.repeat(off_deg, WAYS), toward)]
    if prospect.rolls_matter:
        rolls = facing.roll_deg[0] + np.array([[-off, off] for off in off_deg]).ravel()
        same = np.zeros(len(rolls))
        some.append(Facings(same + facing.tilt_deg, same + facing.azimuth_deg, rolls))
    # all of them in one reading of the sky
    share = _lost_share(prospect, facing, together(*some))
    aside, rolled = np.split(share, [len(toward)])
    rows: list[OffPointing] = []
    for place, off in enumerate(off_deg):
        own = aside.reshape(-1, WAYS)[place]
        row: OffPointing = {
            "off_deg": float(off),
            "mean_loss_fraction": float(own.mean()),
            "worst_loss_fraction": float(own.max()),
        }
        if prospect.rolls_matter:
            row["rolled_loss_fraction"] = float(rolled.reshape(-1, 2)[place].max())
        rows.append(row)
    return rows


def losses_on_a_crooked_mast(
    prospect: Prospect, facing: Facings, levelling_deg: float, azimuth_error_deg: float
) -> MastResult:
    """Loss expected and at worst when the mast leans by up to levelling_deg any way and is turned by up to
    azimuth_error_deg either way.

    Any lean within the disc of that size is as likely as any other, any turn within its range too. The mean is over
    masts spread evenly over these; the worst is among them and leans of full size with the turns' ends.
    """
    share, way, side = ((0.5 + np.arange(MASTS)[:, None] * STRIDE) % 1.0).T
    rim, ends = np.repeat(np.arange(RIM) * 360.0 / RIM, 3), np.tile([-1.0, 0.0, 1.0], RIM)
    off = on_a_crooked_mast(
        facing,
        levelling_deg * np.concatenate([np.sqrt(share), np.ones(len(rim))]),
        facing.azimuth_deg[0] + np.concatenate([360.0 * way, rim]),
        azimuth_error_deg * np.concatenate([2.0 * side - 1.0, ends]),
    )
    lost = _lost_share(prospect, facing, off)
    return {
        "levelling_deg": float(levelling_deg),
        "azimuth_error_deg": float(azimuth_error_deg),
        "expected_loss_fraction": float(lost[:MASTS].mean()),
        "worst_loss_fraction": float(lost.max()),
        "furthest_off_deg": float(angle_between_deg(off.axes_enu_xyz[:, 2], facing.axes_enu_xyz[:, 2]).max()),
    }


def _lost_share(prospect: Prospect, facing: Facings, off: Facings) -> FloatArray:
    own = float(prospect.annual_kwh(facing)[0])
    return 1.0 - prospect.annual_kwh(off) / own if own > 0.0 else np.zeros(off.count)
