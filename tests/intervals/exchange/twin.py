"""Two slow, independent ways to the fresh share: plain slices, and a differential equation with a pure delay."""

from scipy.integrate import solve_ivp

SUMP, CONVERTER, COOLER, PASSAGES = 4.0, 3.2, 0.9, 3.1
TOTAL = SUMP + CONVERTER + COOLER + PASSAGES
DRAINBACK_CONVERTER, DRAINBACK_PASSAGES = 0.9, 1.6
POURED = {"none": 0.0, "quick drain": 3.6, "overnight drain": 6.1}


def begin(start):
    """Fresh litres in sump, converter and passages once the engine runs."""
    poured = POURED[start]
    if start == "overnight drain":
        share = poured / (SUMP + DRAINBACK_CONVERTER + DRAINBACK_PASSAGES)
        return SUMP * share, DRAINBACK_CONVERTER * share, DRAINBACK_PASSAGES * share, poured
    return poured, 0.0, 0.0, poured


def cut(pushed, stage):
    stages = []
    while pushed > 1e-9:
        stages.append(min(stage, pushed))
        pushed -= stages[-1]
    return stages


def by_slices(start, total_new, stage, r, b, machine=False, dv=0.005):
    """Fresh share by slices that are as thick in the cooler as in the flow."""
    sump, converter, passages, poured = begin(start)
    cooler = [0.0] * round(COOLER / dv)
    for litres in [total_new - poured] if machine else cut(total_new - poured, stage):
        volume = SUMP
        for _ in range(round(litres / dv)):
            x_s, x_c, x_g = sump / volume, converter / CONVERTER, passages / PASSAGES
            cooler.insert(0, x_c)
            cooler.pop()
            converter += dv * (1 + b) * (x_s - x_c)
            passages += dv * r * (x_s - x_g)
            sump += -dv * (1 + b) * x_s + b * dv * x_c + r * dv * (x_g - x_s)
            if machine:
                sump += dv
            else:
                volume -= dv
        if not machine:
            sump += litres
    return (sump + converter + passages + sum(cooler) * dv) / TOTAL


def by_equation(start, total_new, stage, r, b):
    """Fresh share by solving the balances as differential equations; what left is found by a pure delay."""
    sump, converter, passages, poured = begin(start)
    state = [sump, converter, passages, 0.0]
    done, pieces = 0.0, []
    for litres in cut(total_new - poured, stage):

        def slope(v, y):
            x_s, x_c, x_g = y[0] / (SUMP - v), y[1] / CONVERTER, y[2] / PASSAGES
            return [
                -(1 + b) * x_s + b * x_c + r * (x_g - x_s),
                (1 + b) * (x_s - x_c),
                r * (x_s - x_g),
                x_c,
            ]

        path = solve_ivp(slope, (0.0, litres), state, rtol=1e-9, atol=1e-12, dense_output=True)
        pieces.append((done, done + litres, path.sol))
        state = path.y[:, -1].copy()
        state[0] += litres
        done += litres
    behind = done - COOLER
    lost = next((float(sol(behind - a)[3]) for a, z, sol in pieces if a <= behind <= z), 0.0)
    return (sum(state) - lost) / TOTAL
