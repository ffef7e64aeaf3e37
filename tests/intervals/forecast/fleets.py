"""Simulated fleets whose truth is known: monthly readings with jittered days, routes that change, months laid up."""

import numpy as np

from intervals.forecast import Histories, clean_histories

KINDS = {
    "routes that drift": {"memory": 0.9, "drift": 0.12, "noise": 0.08},
    "noisy months": {"memory": 0.6, "drift": 0.10, "noise": 0.12},
    "strong seasons": {"memory": 0.6, "drift": 0.10, "noise": 0.12, "season": 0.12},
    "often laid up": {"memory": 0.6, "drift": 0.12, "noise": 0.12, "laid_up": 0.02},
}


def fleet(
    seed: int, *, groups: int = 5, memory: float = 0.6, drift: float = 0.1, noise: float = 0.1, season: float = 0.03,
    laid_up: float = 0.004, decline: float = -0.03,
) -> tuple[list[str], list[str], list[int], list[float]]:  # fmt: skip
    """Return vehicles, groups, days and totals of a fleet."""
    rng = np.random.default_rng(seed)
    vehicles, of_group, days, totals = [], [], [], []
    for group in range(groups):
        months = int(rng.integers(60, 110))
        usual = rng.uniform(2500, 5500)
        common = np.cumsum(rng.normal(0, 0.012, months)) + rng.normal(0, 0.03, months)
        common += season * np.sin(2 * np.pi * np.arange(months) / 12)
        for number in range(int(rng.integers(8, 30))):
            level, recent, rest, use = np.log(usual) + rng.normal(0, 0.12), 0.0, 0, []
            for month in range(months):
                recent = memory * recent + rng.normal(0, drift)
                level += decline / 12 + rng.normal(0, 0.01)
                much = np.exp(level + recent + rng.normal(0, noise) + common[month])
                if rest > 0:
                    much, rest = much * rng.uniform(0, 0.3), rest - 1
                elif rng.random() < laid_up:
                    rest = int(rng.integers(1, 5))
                use.append(much)
            true_days = np.arange(months + 1) * 365.25 / 12 + 730_000
            true_totals = rng.uniform(0, 200_000) + np.concatenate([[0.0], np.cumsum(use)])
            read = np.round(true_days + rng.integers(-2, 3, months + 1)).astype(int)
            vehicles += [f"{group}-{number}"] * read.size
            of_group += [str(group)] * read.size
            days += read.tolist()
            totals += np.interp(read, true_days, true_totals).tolist()
    return vehicles, of_group, days, totals


def histories(seed: int, **kind: float) -> Histories:
    """Return a fleet ready for forecasting."""
    return clean_histories(*fleet(seed, **kind))
