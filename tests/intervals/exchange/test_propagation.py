import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from intervals.errors import QuantityError
from intervals.exchange.propagation import Input, Uncertainty, monte_carlo, propagate


def end_gauge(x):
    """Length of the end gauge, nm (GUM H.1.2): l = ls + d - ls (delta_alpha theta + alpha_s delta_theta)."""
    return x["ls"] + x["d"] + x["d_random"] + x["d_systematic"] - x["ls"] * (
        x["delta_alpha"] * (x["theta"] + x["cycle"]) + x["alpha_s"] * x["delta_theta"]
    )  # fmt: skip


# JCGM 100:2008, annex H.1. Input figures from memory; they reproduce every printed result below.
END_GAUGE = (
    Input("ls", 50_000_623.0, Uncertainty(25.0, "normal", 18)),
    Input("d", 215.0, Uncertainty(5.8, "normal", 24)),
    Input("d_random", 0.0, Uncertainty(3.9, "normal", 5)),
    Input("d_systematic", 0.0, Uncertainty(6.7, "normal", 8)),
    Input("alpha_s", 11.5e-6, Uncertainty(2e-6)),
    Input("delta_alpha", 0.0, Uncertainty(1e-6, dof=50)),
    Input("theta", -0.1, Uncertainty(0.2, "normal")),
    # The cyclic part has an arcsine distribution, 0.5 / sqrt 2.
    Input("cycle", 0.0, Uncertainty(0.5 / math.sqrt(2.0), "normal")),
    Input("delta_theta", 0.0, Uncertainty(0.05, dof=2)),
)


def test_the_end_gauge_comes_out_as_printed():
    result = propagate(end_gauge, END_GAUGE)
    assert result.value == pytest.approx(50_000_838.0)
    assert result.u == pytest.approx(32.0, abs=0.5)
    assert result.u**2 == pytest.approx(1002.0, abs=5.0)
    assert abs(result.parts["ls"]) == pytest.approx(25.0)
    assert math.hypot(*(result.parts[k] for k in ("d", "d_random", "d_systematic"))) == pytest.approx(
        9.7, abs=0.05
    )
    assert result.parts["alpha_s"] == pytest.approx(0.0, abs=1e-6)
    assert abs(result.parts["delta_alpha"]) == pytest.approx(2.9, abs=0.05)
    assert abs(result.parts["delta_theta"]) == pytest.approx(16.6, abs=0.1)


# JCGM 100:2008, H.1.6: nu_eff 16.7, truncated to 16; t99 2.92; U99 93 nm, from u rounded to 32 nm.
def test_the_end_gauges_expanded_uncertainty_comes_out_as_printed():
    result = propagate(end_gauge, END_GAUGE)
    assert result.dof == pytest.approx(16.7, abs=0.1)
    assert result.coverage_factor(0.99) == pytest.approx(2.92, abs=0.005)
    assert round(round(result.u) * result.coverage_factor(0.99)) == 93
    assert result.expanded(0.99) == pytest.approx(93.0, abs=1.0)


# JCGM 100:2008, table G.2 (Student's t).
@pytest.mark.parametrize(
    ("dof", "coverage", "factor"),
    [
        (1, 0.95, 12.71),
        (5, 0.95, 2.57),
        (10, 0.99, 3.17),
        (16, 0.99, 2.92),
        (50, 0.95, 2.01),
        (math.inf, 0.95, 1.960),
    ],
)
def test_coverage_factors_are_those_of_the_printed_table(dof, coverage, factor):
    one = propagate(lambda x: x["a"], (Input("a", 0.0, Uncertainty(1.0, "normal", dof)),))
    assert one.coverage_factor(coverage) == pytest.approx(factor, abs=0.006)


# EURACHEM/CITAC QUAM, example A1: c = 1000 m P / V; u(c) 0.9 mg/L. Inputs as in a public R script after NIST TN 1900.
def test_the_calibration_standard_comes_out_as_printed():
    inputs = (
        Input("m", 100.28, Uncertainty(0.05, "normal")),
        Input("p", 0.9999, Uncertainty(0.0001)),
        Input("v", 100.0, Uncertainty(0.07, "normal")),
    )
    result = propagate(lambda x: 1000.0 * x["m"] * x["p"] / x["v"], inputs)
    assert result.value == pytest.approx(1002.6997, abs=1e-4)
    assert result.u == pytest.approx(0.8637, abs=5e-4)
    assert round(result.u, 1) == 0.9


# EURACHEM/CITAC QUAM, example A1: flask 100 ± 0.1 mL triangular, repeatability 0.02, ± 4 °C rectangular -> 0.07 mL
# (split of the parts from memory).
def test_the_flask_combines_a_triangle_a_scatter_and_a_rectangle():
    inputs = (
        Input("calibration", 100.0, Uncertainty(0.1, "triangular")),
        Input("repeat", 0.0, Uncertainty(0.02, "normal")),
        Input("temperature", 0.0, Uncertainty(4.0)),
    )
    result = propagate(lambda x: x["calibration"] + x["repeat"] + 100.0 * 2.1e-4 * x["temperature"], inputs)
    assert result.parts["calibration"] == pytest.approx(0.0408, abs=1e-4)
    assert result.parts["temperature"] == pytest.approx(0.0485, abs=1e-4)
    assert result.u == pytest.approx(0.0665, abs=1e-4)


# JCGM 100:2008, 5.2.2 example: ten resistors of 1000 ohm, each off together by 0.1 ohm, give 1 ohm, not 0.32.
def test_figures_of_one_group_add_straight_and_with_their_signs():
    def ten(group):
        return tuple(Input(f"r{i}", 1000.0, Uncertainty(0.1, "normal", group=group)) for i in range(10))

    def total(x):
        return sum(x.values())

    assert propagate(total, ten("one standard")).u == pytest.approx(1.0)
    assert propagate(total, ten(None)).u == pytest.approx(0.32, abs=0.005)
    pair = ten("one standard")[:2]
    assert propagate(lambda x: x["r0"] - x["r1"], pair).u == pytest.approx(0.0, abs=1e-9)
    assert monte_carlo(lambda x: x["r0"] - x["r1"], pair, 100).sd == pytest.approx(0.0, abs=1e-9)


# Reference library: `uncertainties` (linear error propagation by automatic differentiation).
@given(
    st.floats(1.0, 50.0), st.floats(1.0, 50.0), st.floats(1.0, 50.0), st.floats(0.001, 0.02), st.floats(0.001, 0.02)
)  # fmt: skip
def test_independent_inputs_agree_with_the_reference_library(a, b, c, share_a, share_b):
    x, y, z = ufloat(a, share_a * a), ufloat(b, share_b * b), ufloat(c, 0.01 * c)
    reference = x * y / (x + z) + z**2 / y
    inputs = (
        Input("x", a, Uncertainty(share_a * a, "normal")),
        Input("y", b, Uncertainty(share_b * b, "normal")),
        Input("z", c, Uncertainty(0.01 * c, "normal")),
    )
    got = propagate(lambda v: v["x"] * v["y"] / (v["x"] + v["z"]) + v["z"] ** 2 / v["y"], inputs)
    assert got.value == pytest.approx(reference.n)
    assert got.u == pytest.approx(reference.s, rel=2e-3)


# JCGM 101:2008, 9.2.4: four rectangular inputs of standard uncertainty 1 give u 2.0 and a 95 % interval of ± 3.88.
def test_four_rectangles_drawn_give_the_supplements_interval():
    inputs = tuple(Input(f"x{i}", 0.0, Uncertainty(math.sqrt(3.0))) for i in range(4))
    drawn = monte_carlo(lambda x: sum(x.values()), inputs, 40_000)
    assert propagate(lambda x: sum(x.values()), inputs).u == pytest.approx(2.0)
    assert drawn.mean == pytest.approx(0.0, abs=0.04)
    assert drawn.sd == pytest.approx(2.0, abs=0.03)
    assert (drawn.low, drawn.high) == pytest.approx((-3.88, 3.88), abs=0.08)


@pytest.mark.parametrize("shape", ["rectangular", "triangular", "normal"])
def test_each_shape_is_drawn_with_the_spread_the_law_gives_it(shape):
    inputs = (Input("x", 5.0, Uncertainty(0.6, shape)),)
    drawn = monte_carlo(lambda x: x["x"], inputs)
    assert drawn.sd == pytest.approx(inputs[0].uncertainty.standard, rel=0.02)
    assert drawn == monte_carlo(lambda x: x["x"], inputs)
    assert drawn != monte_carlo(lambda x: x["x"], inputs, seed=1)


# A Student distribution of nu degrees of freedom has the variance nu / (nu - 2).
def test_few_degrees_of_freedom_are_drawn_wider():
    inputs = (Input("x", 0.0, Uncertainty(1.0, "normal", 10)),)
    assert monte_carlo(lambda x: x["x"], inputs).sd == pytest.approx(math.sqrt(10 / 8), rel=0.03)


def test_a_step_never_leaves_what_an_input_can_be():
    seen = []

    def root(x):
        seen.append(x["x"])
        return math.sqrt(x["x"]) + 3.0 * x["x"]

    inputs = (Input("x", 0.0, Uncertainty(0.5), 0.0, 0.5),)
    assert propagate(root, inputs).u > 0.0
    assert monte_carlo(root, inputs, 500).low >= 0.0
    assert 0.0 <= min(seen) <= max(seen) <= 0.5


def test_a_certain_input_adds_nothing():
    hair = (Input("a", 2.0, Uncertainty(1e-150)),)
    assert propagate(lambda x: x["a"], hair).u == 0.0
    inputs = (Input("a", 2.0, Uncertainty(0.0)), Input("b", 3.0, Uncertainty(0.3)))
    result = propagate(lambda x: x["a"] * x["b"], inputs)
    assert result.parts["a"] == 0.0
    assert result.u == pytest.approx(2.0 * 0.3 / math.sqrt(3.0))
    assert math.isinf(result.dof)


@pytest.mark.parametrize(
    ("item", "words"),
    [
        (Input("a", 1.0, Uncertainty(math.nan)), "missing or negative"),
        (Input("a", 1.0, Uncertainty(-0.1)), "missing or negative"),
        (Input("a", 1.0, Uncertainty(0.1, dof=0.0)), "degree of freedom"),
        (Input("a", 1.0, Uncertainty(0.1, "flat")), "no distribution"),
        (Input("a", math.nan, Uncertainty(0.1)), "missing or outside"),
        (Input("a", 2.0, Uncertainty(0.1), 0.0, 1.0), "missing or outside"),
        (Input("a", 1.0, Uncertainty(0.1), 1.0, 1.0), "no room"),
    ],
)
def test_an_unusable_budget_is_refused_with_one_sentence(item, words):
    for run in (propagate, monte_carlo):
        with pytest.raises(QuantityError, match=words):
            run(lambda x: x["a"], (item,))


def test_empty_and_doubled_budgets_and_impossible_runs_are_refused():
    one = Input("a", 1.0, Uncertainty(0.1))
    with pytest.raises(QuantityError, match="at least one"):
        propagate(lambda x: 0.0, ())
    with pytest.raises(QuantityError, match="twice"):
        propagate(lambda x: x["a"], (one, one))
    with pytest.raises(QuantityError, match="two draws"):
        monte_carlo(lambda x: x["a"], (one,), 1)
    with pytest.raises(QuantityError, match="coverage"):
        propagate(lambda x: x["a"], (one,)).expanded(1.0)
