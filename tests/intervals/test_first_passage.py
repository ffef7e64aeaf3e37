"""The first-passage distribution against scipy's inverse Gaussian, a separate implementation of the same law."""

import numpy as np
import pytest
from scipy import stats

from intervals.first_passage import passage_probability, passage_quantile


def at(value: float) -> np.ndarray:
    return np.array([float(value)])


def reference(remaining: np.ndarray, mu: np.ndarray, sigma: np.ndarray) -> object:
    """scipy.stats.invgauss takes the shape m and the scale s for the mean m*s; here s = R^2/sigma^2."""
    scale = (remaining / sigma) ** 2
    return stats.invgauss(remaining / mu / scale, scale=scale)


def test_probability_agrees_with_scipy_invgauss() -> None:
    source = np.random.default_rng(11)
    remaining, mu = source.uniform(5, 60_000, 4_000), source.uniform(0.5, 300, 4_000)
    sigma = mu * source.uniform(0.05, 6, 4_000)
    t = remaining / mu * source.uniform(0.2, 3, 4_000)
    ours = passage_probability(t, remaining, mu, sigma)
    assert ours == pytest.approx(reference(remaining, mu, sigma).cdf(t), abs=1e-9)


@pytest.mark.parametrize("probability", [0.001, 0.1, 0.2, 0.5, 0.9, 0.999])
def test_quantile_agrees_with_scipy_invgauss(probability: float) -> None:
    source = np.random.default_rng(12)
    remaining, mu = source.uniform(5, 60_000, 500), source.uniform(0.5, 300, 500)
    sigma = mu * source.uniform(0.05, 6, 500)
    ours = passage_quantile(np.array(probability), remaining, mu, sigma)
    assert ours == pytest.approx(reference(remaining, mu, sigma).ppf(probability), rel=1e-7)


def test_quantile_undoes_probability_from_almost_certain_to_almost_unknown() -> None:
    shape = np.logspace(-7, 4, 200)[:, None]
    probability = np.array([0.01, 0.1, 0.2, 0.5, 0.9, 0.99])[None, :]
    days = passage_quantile(probability, np.ones_like(shape), np.ones_like(shape), np.sqrt(shape))
    back = passage_probability(days, np.ones_like(shape), np.ones_like(shape), np.sqrt(shape))
    assert back == pytest.approx(np.broadcast_to(probability, back.shape), abs=1e-10)


def test_reference_calculation_of_thirty_days() -> None:
    """Reference calculation: 4 500 km left, 150 km a day, scatter 95."""
    left, mu, sigma = at(4500), at(150), at(95)
    quantiles = [float(passage_quantile(at(p), left, mu, sigma)[0]) for p in (0.1, 0.2, 0.5, 0.9)]
    assert quantiles == pytest.approx([25.9, 27.2, 30.0, 34.8], abs=0.26)
    spread = float(np.sqrt(left * sigma**2 / mu**3)[0])
    assert spread == pytest.approx(3.47, abs=0.005)
    chances = [float(passage_probability(at(t), left, mu, sigma)[0]) for t in (24, 27, 30, 35)]
    # The reference values stop after the first term of the law; the second adds up to 0.024 here.
    first_terms = [stats.norm.cdf((mu[0] * t - left[0]) / (sigma[0] * np.sqrt(t))) for t in (24, 27, 30, 35)]
    assert first_terms == pytest.approx([0.027, 0.181, 0.500, 0.909], abs=0.0006)
    assert all(0 < ours - first < 0.024 for ours, first in zip(chances, first_terms, strict=True))


def test_nothing_left_is_certain_and_standing_still_never_arrives() -> None:
    assert passage_probability(at(5), at(0), at(150), at(95))[0] == 1.0
    assert passage_probability(at(5), at(-3), at(0), at(95))[0] == 1.0
    assert passage_probability(at(9_999), at(10), at(0), at(95))[0] == 0.0
    assert passage_probability(at(0), at(10), at(150), at(95))[0] == 0.0
    assert passage_quantile(at(0.5), at(10), at(0), at(95))[0] == np.inf
    assert passage_quantile(at(0.5), at(-10), at(150), at(95))[0] == 0.0


def test_no_scatter_is_a_step_at_the_mean() -> None:
    chances = passage_probability(np.array([29.999, 30.0, 31.0]), at(4500), at(150), at(0))
    assert chances.tolist() == [0.0, 1.0, 1.0]
    assert passage_quantile(at(0.1), at(4500), at(150), at(0))[0] == 30.0


def test_unknown_input_gives_unknown_chance() -> None:
    for known in ([np.nan, 150, 95], [4500, np.nan, 95], [4500, 150, np.nan]):
        left, mu, sigma = (at(value) for value in known)
        assert np.isnan(passage_probability(at(30), left, mu, sigma)[0])
        assert np.isnan(passage_quantile(at(0.5), left, mu, sigma)[0])
