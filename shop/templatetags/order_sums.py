"""How a line of the order list tells the sums behind its figures."""

from statistics import NormalDist
from typing import Any

from django import template

from shop.planning.packs import CREDIT_SHARE
from shop.templatetags.show import amount, money, whole_share

register = template.Library()


@register.filter
def without_top_ups(facts: dict[str, Any]) -> float:
    """Return the litres the jobs take on average, the top-ups left out."""
    return float(facts["mean_l"]) - float(facts["baseline_l"])


@register.filter
def enough_sum(facts: dict[str, Any]) -> str:
    """Tell how the litres that are enough come about: average and spread, or every job together if that is less."""
    factor = NormalDist().inv_cdf(facts["service_level"])
    if facts["most_l"] < facts["mean_l"] + factor * facts["sd_l"]:
        return "every job and top-up together"
    return f"{amount(facts['mean_l'])} + {factor:.3f} × {amount(facts['sd_l'])} L"


@register.filter
def chance_sum(job: dict[str, Any]) -> str:
    """Tell what a job's chance is made of."""
    parts = (("due", "chance_due"), ("turns up", "turns_up"), ("passes the gate", "passes_gate"))
    told = [f"{words} {whole_share(job[name])}" for words, name in parts if job.get(name) not in (None, 1.0)]
    return " × ".join(told)


@register.filter
def net_price_sum(line: Any) -> str:
    """Tell what the price less the usable left-over is made of."""
    price, worth = float(line.cost), float(line.cost) - float(line.facts["net_price"])
    if worth < 0.005 or not line.order_l:
        return "none of what is left over would be used in time"
    a_litre = price / line.order_l
    used_l = worth / (float(CREDIT_SHARE) * a_litre)
    return f"{money(price)} − {whole_share(float(CREDIT_SHARE))} of {amount(used_l)} L at {money(a_litre)}"
