"""The due projection once more, one line at a time with nothing but arithmetic: slow, and easy to check by eye."""

import math
from dataclasses import dataclass, field

NAN = math.nan


@dataclass(frozen=True)
class Meter:
    interval: float
    since: float
    allowed: float
    stale: float
    reference: float
    sigma: float
    segments: tuple[tuple[float, float], ...] = field(default=((0.0, 1.0),))


@dataclass(frozen=True)
class Answer:
    u: tuple[float, float, float]
    state: str
    due: float
    opens: float
    late: float
    quantiles: tuple[float, ...]


def scaled_erfc(x: float) -> float:
    """exp(x^2) * erfc(x), by the asymptotic series where the plain product would overflow."""
    if x < 20.0:
        return math.exp(x * x) * math.erfc(x)
    term, total = 1.0, 1.0
    for k in range(1, 8):
        term *= -(2 * k - 1) / (2.0 * x * x)
        total += term
    return total / (x * math.sqrt(math.pi))


def normal(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def chance(t: float, left: float, mu: float, sigma: float) -> float:
    if left <= 0:
        return 1.0
    if mu <= 0 or t <= 0:
        return 0.0
    if sigma == 0:
        return 1.0 if t * mu >= left * (1 - 1e-12) else 0.0
    spread = sigma * math.sqrt(t)
    a, b = (mu * t - left) / spread, (mu * t + left) / spread
    if 2 * mu * left / sigma**2 < 200:
        return normal(a) + math.exp(2 * mu * left / sigma**2) * normal(-b)
    return normal(a) + 0.5 * scaled_erfc(b / math.sqrt(2.0)) * math.exp(-a * a / 2)


def use_between(meter: Meter, start: float, end: float) -> float:
    """Use from day `start` to day `end`; the first rate also holds before its own start."""
    total = 0.0
    for at, (begins, rate) in enumerate(meter.segments):
        left = start if at == 0 else max(begins, start)
        right = meter.segments[at + 1][0] if at + 1 < len(meter.segments) else math.inf
        total += rate * max(min(right, end) - left, 0.0)
    return total


def day_of(meter: Meter, use: float) -> float:
    """First day on which the use since the reading reaches `use`."""
    day = -meter.stale
    if use <= 0:
        return day + (use / meter.reference if meter.reference > 0 else 0.0)
    for at, (_, rate) in enumerate(meter.segments):
        right = meter.segments[at + 1][0] if at + 1 < len(meter.segments) else math.inf
        if right <= day:
            continue
        if rate > 0 and use <= rate * (right - day):
            return day + use / rate
        use -= rate * (right - day) if rate > 0 else 0.0
        day = right
    return math.inf


def chance_by(meters: list[Meter], time: tuple[float, float, float], day: float, dust: float = 1e-6) -> float:
    clear = 1.0
    for meter in meters:
        if not meter.interval > 0:
            continue
        elapsed = use_between(meter, -meter.stale, day) / meter.reference if meter.reference > 0 else 0.0
        clear *= 1.0 - chance(elapsed, meter.allowed - meter.since, meter.reference, meter.sigma)
    if time[0] > 0 and day >= time[2] - time[1] - 1e-6:
        clear = 0.0
    return 1.0 - clear


def state_of(u: float, opens: float, closes: float) -> str:
    if math.isnan(u):
        return "none"
    if u < 1 - opens - 1e-9:
        return "not yet"
    if u < 1 - 1e-9:
        return "window open"
    return "due" if u <= 1 + closes + 1e-9 else "late"


def quantile(meters: list[Meter], time: tuple[float, float, float], p: float) -> float:
    """Halve the time until the chance passes p; a clock that has passed is a step at its mean date."""
    present = [m for m in meters if m.interval > 0]
    steps = [day_of(m, max(m.allowed, 0.0) - m.since) for m in present if m.allowed <= m.since]
    steps += [time[2] - time[1]] if time[0] > 0 else []
    ahead = [m for m in present if m.allowed > m.since]
    never = (NAN, NAN, NAN)
    high = 1e6
    if chance_by(ahead, never, high) >= p:
        low = min(-m.stale for m in ahead)
        for _ in range(200):
            middle = 0.5 * (low + high)
            low, high = (low, middle) if chance_by(ahead, never, middle) >= p else (middle, high)
        steps.append(high)
    return min(steps, default=NAN)


def project(
    distance: Meter, hours: Meter, time: tuple[float, float, float], opens: float, closes: float
) -> Answer:
    """One line; `time` is (interval, since, allowed) in days. An interval of nan stands for no such clock."""
    place: list[float] = []
    days: dict[str, list[float]] = {"due": [], "opens": [], "late": []}
    widths = {"due": 0.0, "opens": -opens, "late": closes}
    for meter in (distance, None, hours):
        if meter is None:
            interval, since, allowed = time
            place.append(1 + (since - allowed) / interval)
            for name, width in widths.items():
                if interval > 0:
                    days[name].append(max(allowed + width * interval, 0.0) - since)
            continue
        now = meter.since + use_between(meter, -meter.stale, 0.0) if meter.interval > 0 else NAN
        place.append(1 + (now - meter.allowed) / meter.interval)
        for name, width in widths.items():
            if meter.interval > 0:
                days[name].append(
                    day_of(meter, max(meter.allowed + width * meter.interval, 0.0) - meter.since)
                )
    states = [state_of(u, opens, closes) for u in place]
    order = ("none", "not yet", "window open", "due", "late")
    first = {name: min(values) if values and min(values) < math.inf else NAN for name, values in days.items()}
    quantiles = tuple(quantile([distance, hours], time, p) for p in (0.1, 0.2, 0.5, 0.9))
    state = max(states, key=order.index)
    return Answer(
        (place[0], place[1], place[2]), state, first["due"], first["opens"], first["late"], quantiles
    )
