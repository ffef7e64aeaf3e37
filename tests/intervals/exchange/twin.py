"""An independent way to the fresh share: the balances as differential equations, with a pure delay for the cooler."""

from scipy.integrate import solve_ivp


def cut(pushed, stage):
    stages = []
    while pushed > 1e-9:
        stages.append(min(stage, pushed))
        pushed -= stages[-1]
    return stages


def by_equation(card, method, start, total_new_l, stage_l, r, b, *, is_before_cooler=False):
    """Fresh share by scipy's `solve_ivp` (DOP853, tight tolerances); what left by the hose is what entered earlier."""
    is_overnight, is_machine = start == "overnight drain", method == "machine exchange"
    poured = {"none": 0.0, "quick drain": card.quick_drain_l, "overnight drain": card.overnight_drain_l}[
        start
    ]
    back_c, back_g = (card.converter_drainback_l, card.passages_drainback_l) if is_overnight else (0.0, 0.0)
    share = poured / (card.sump_l + back_c + back_g)
    state = [card.sump_l * share, back_c * share, back_g * share, 0.0]
    pushed = total_new_l - poured
    done, pieces = 0.0, []
    for litres in ([pushed] if pushed > 1e-9 else []) if is_machine else cut(pushed, stage_l):

        def slope(v, y):
            x_s = y[0] / (card.sump_l - (0.0 if is_machine else v))
            x_c, x_g = y[1] / card.converter_l, y[2] / card.passages_l
            new = 1.0 if is_machine else 0.0
            return [
                -(1 + b) * x_s + b * x_c + r * (x_g - x_s) + new, (1 + b) * (x_s - x_c), r * (x_s - x_g), x_c,
            ]  # fmt: skip

        path = solve_ivp(
            slope, (0.0, litres), state, method="DOP853", rtol=1e-11, atol=1e-13, dense_output=True
        )
        pieces.append((done, done + litres, path.sol))
        state = path.y[:, -1].copy()
        if not is_machine:
            state[0] += litres
        done += litres
    behind = done if is_before_cooler else done - card.cooler_l
    lost = next((float(sol(behind - a)[3]) for a, z, sol in pieces if a <= behind <= z), 0.0)
    return (sum(state) - lost) / card.total_fill_l
