"""How often faults are found, and how often clean logs are blamed, over seeded invented passes."""

from __future__ import annotations

import numpy as np
import pytest

from speedlog.faults import find_faults
from tests.faults.invented import NORTH_M, Drive, changed, log, without


def anyone(seed: int) -> tuple[Drive, dict[str, float]]:
    """A drive and a receiver, at random within what is normal."""
    rng = np.random.default_rng(seed)
    drive = Drive(
        pull=rng.uniform(3, 14),
        top=rng.uniform(40, 110),
        hold_s=rng.choice([0.0, 0.5, 2.0]),
        brake=rng.uniform(4, 18),
    )
    return drive, {
        "rate_hz": (1.0, 5.0, 10.0, 25.0)[seed % 4],
        "speed_noise": rng.uniform(0.03, 0.15),
        "place_noise": rng.uniform(0.02, 0.1),
        "step_kn": rng.choice([0.01, 0.1]),
        "heading_deg": rng.uniform(0, 360),
    }


def test_clean_passes_are_hardly_ever_blamed():
    blamed = []
    for seed in range(150):
        drive, receiver = anyone(seed)
        blamed += [(seed, span) for span in find_faults(log(drive, seed=seed, **receiver))]
    # 1 pass in 100 may be; measured on over 3000 simulated clean logs: none (tests.benchmarks.run faults)
    assert len(blamed) <= 1, blamed


@pytest.mark.parametrize(
    ("kind", "least"), [("gap", 1.0), ("frozen", 0.95), ("ceiling", 0.95), ("outlier", 0.98)]
)
def test_faults_are_found(kind, least):
    found = []
    for seed in range(60):
        drive, receiver = anyone(seed)
        if receiver["rate_hz"] == 1.0:
            continue  # two epochs a pass at speed: told apart only when gross
        rng = np.random.default_rng(seed)
        track = log(drive, seed=seed, **receiver)
        speed = track.samples["speed_mps"].to_numpy().copy()
        fast = np.flatnonzero(speed > 20.0)
        first = int(rng.integers(fast[0] + 4, fast[-1] - 12))
        rows = slice(first, first + max(2, round(0.5 * receiver["rate_hz"])))
        if kind == "gap":
            gone = np.zeros(len(speed), dtype=bool)
            gone[rows] = True
            track = without(track, gone)
        elif kind == "frozen":
            held = {}
            for name in ("lat_deg", "lon_deg", "speed_mps"):
                held[name] = track.samples[name].to_numpy().copy()
                held[name][rows] = held[name][first - 1]
            track = changed(track, heading_deg=receiver["heading_deg"], **held)
        elif kind == "ceiling":
            track = log(drive, seed=seed, limit_mps=drive.top - 5.0, **receiver)
        elif seed % 2:
            speed[first] += rng.choice([-1, 1]) * rng.uniform(3, 15)
            track = changed(track, heading_deg=receiver["heading_deg"], speed_mps=speed)
        else:
            lat = track.samples["lat_deg"].to_numpy().copy()
            lat[first] += rng.choice([-1, 1]) * rng.uniform(3, 30) / NORTH_M
            track = changed(track, heading_deg=receiver["heading_deg"], lat_deg=lat)
        found.append(kind in {span.kind for span in find_faults(track)})
    assert np.mean(found) >= least
