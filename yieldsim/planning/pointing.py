"""How well a facing must be held: what is lost when the aperture is off, and on a mast that leans or is turned."""

from __future__ import annotations

import numpy as np

from yieldsim.base.vectors import angle_between_deg
from yieldsim.planning.poses import Facings, axes_enu_xyz, on_a_crooked_mast, turned_off
from yieldsim.planning.prospect import Prospect

OFF_DEG = (0.5, 1.0, 2.0, 3.0, 5.0, 7.0, 10.0)


def losses_when_off(
    prospect: Prospect, facing: Facings, off_deg: tuple[float, ...] = OFF_DEG
) -> list[dict[str, float]]:
    """Share of the annual energy lost when the aperture is off by given angles: the mean over all directions
    and the worst."""
    own = float(prospect.annual_kwh(facing)[0])
    toward = np.linspace(0.0, 350.0, 36)
    rows = []
    for off in off_deg:
        kwh = prospect.annual_kwh(turned_off(facing, np.full(36, off), toward))
        share = 1.0 - kwh / own if own > 0.0 else np.zeros(36)
        rows.append(
            {
                "off_deg": float(off),
                "mean_loss_fraction": float(share.mean()),
                "worst_loss_fraction": float(share.max()),
            }
        )
    return rows


def losses_on_a_crooked_mast(
    prospect: Prospect, facing: Facings, levelling_deg: float, azimuth_error_deg: float
) -> dict[str, float]:
    """Loss expected and at worst when the mast leans by up to levelling_deg any way and is turned by up to
    azimuth_error_deg either way.

    Any lean within the disc of that size is as likely as any other, any turn within its range too. Simpson's rule in
    the square of the lean and in the turn, 24 directions of lean; the extremes are among the 441 cases.
    """
    own = float(prospect.annual_kwh(facing)[0])
    around = facing.azimuth_deg[0] + np.linspace(0.0, 360.0, 24, endpoint=False)
    lean = levelling_deg * np.concatenate([[0.0], np.full(24, np.sqrt(0.5)), np.ones(24)])
    lean_weight = np.concatenate([[1.0], np.full(24, 4.0 / 24.0), np.full(24, 1.0 / 24.0)])
    turn = azimuth_error_deg * np.linspace(-1.0, 1.0, 9)
    turn_weight = np.array([1.0, 4.0, 2.0, 4.0, 2.0, 4.0, 2.0, 4.0, 1.0])
    toward = np.concatenate([[0.0], around, around])
    off = on_a_crooked_mast(facing, np.repeat(lean, 9), np.repeat(toward, 9), np.tile(turn, len(lean)))
    share = 1.0 - prospect.annual_kwh(off) / own if own > 0.0 else np.zeros(off.count)
    weights = (lean_weight[:, None] * turn_weight[None, :]).ravel()
    return {
        "levelling_deg": float(levelling_deg),
        "azimuth_error_deg": float(azimuth_error_deg),
        "expected_loss_fraction": float(weights @ share / weights.sum()),
        "worst_loss_fraction": float(share.max()),
        "furthest_off_deg": float(
            angle_between_deg(axes_enu_xyz(off)[:, 2], axes_enu_xyz(facing)[:, 2]).max()
        ),
    }
