"""Proposes a shelf's ordering list and writes what changed."""

from dataclasses import dataclass
from datetime import date, time, timedelta
from decimal import Decimal
from typing import Any

from django.db import transaction

from shop.models import Depot, Product, ProposedLine
from shop.planning.demand import JobNeed, PooledNeed, pool_need
from shop.planning.ordering import FluidShelf, OrderLine, propose_line
from shop.selectors.needs import DAYS_A_MONTH, FluidNeed, needs_of
from shop.selectors.offers import Offer, offers_to
from shop.selectors.shelf import OnOrder, Shelf, on_order, shelves_of
from shop.selectors.suppliers import NO_CUT_OFF

CONTENT = [
    "supplier_id", "when", "need_l", "free_l", "net_l", "order_l", "cost", "left_over_l", "latest_order_day", "facts",
    "sentence",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class OrderReport:
    """What a proposal did, in lines."""

    lines: int
    added: int
    changed: int
    removed: int


def order_list_propose(depot: Depot, as_of: date, now_time: time) -> OrderReport:
    """Work out what the shelf that serves a depot has to order, and write what changed.

    as_of, now_time: local day and hour at which the list is looked at. Repeating it changes nothing.
    """
    shelf_depot = depot.stores_at or depot
    served = [shelf_depot.pk, *Depot.objects.filter(stores_at=shelf_depot).values_list("pk", flat=True)]
    offers = offers_to(shelf_depot)
    usual = {
        product_pk: min(own, key=lambda offer: offer.rank_as_usual) for product_pk, own in offers.items()
    }
    horizons = {product_pk: offer.horizon_days(as_of) for product_pk, offer in usual.items()}
    with transaction.atomic():
        # Depots that share a shelf may run at the same moment; their lists are written one after the other.
        Depot.objects.select_for_update().get(pk=shelf_depot.pk)
        needs = needs_of(as_of, served, horizons)
        pooled_units = {plan.unit.pk for need in needs.values() for plan in need.plans}
        use_days = {product_pk: as_of + timedelta(days=days) for product_pk, days in horizons.items()}
        shelves = shelves_of(shelf_depot.pk, as_of, use_days, pooled_units)
        coming = on_order(shelf_depot.pk, as_of)
        drafts = {}
        for product in Product.objects.filter(pk__in=set(needs) | set(shelves)):
            drafts[product.pk] = _draft(
                product,
                needs.get(product.pk, FluidNeed()),
                shelves.get(product.pk, Shelf(FluidShelf(0.0))),
                coming.get(product.pk, OnOrder()),
                offers.get(product.pk, []),
                horizons.get(product.pk, 0),
                usual.get(product.pk),
                as_of,
                now_time,
            )
        return _write(shelf_depot, as_of, drafts)


def _draft(
    product: Product,
    need: FluidNeed,
    shelf: Shelf,
    coming: OnOrder,
    offers: list[Offer],
    horizon: int,
    usual: Offer | None,
    as_of: date,
    now_time: time,
) -> dict[str, Any]:
    baseline_l = product.top_ups_l_per_month * horizon / DAYS_A_MONTH
    pooled = pool_need(need.jobs, baseline_l)
    line = propose_line(
        product.code,
        pooled,
        shelf.litres,
        coming.in_time_l,
        {offer.figures: offer.packs for offer in offers},
        as_of,
        now_time,
        need.usage_l_per_month or None,
        product.sealed_life_months,
        product.opened_life_months,
    )
    supplier = next((offer.row for offer in offers if offer.figures == line.supplier), None)
    return {
        "supplier_id": supplier.pk if supplier else None,
        "when": line.when,
        "need_l": round(line.need_l, 6),
        "free_l": round(line.free_l, 6),
        "net_l": round(line.net_l, 6),
        "order_l": round(line.litres, 6),
        "cost": line.cost.quantize(Decimal("0.01")),
        "left_over_l": round(line.left_over_l, 6),
        "latest_order_day": line.latest_order_day,
        "sentence": line.sentence,
        "facts": _facts(need, shelf, pooled, line, coming, baseline_l, horizon) | _margin(usual),
    }


def _facts(
    need: FluidNeed,
    shelf: Shelf,
    pooled: PooledNeed,
    line: OrderLine,
    coming: OnOrder,
    baseline_l: float,
    horizon: int,
) -> dict[str, Any]:
    return {
        "packs": [
            {"count": count, "printed": pack.label, "size_l": pack.size_l, "price": str(pack.price)}
            for pack, count in line.packs
        ],
        "jobs": [_job(job, need.unit_codes[job.unit_label]) for job in pooled.jobs],
        "falls": [job.unit_label for job in line.falls],
        "missed": [job.unit_label for job in line.missed],
        "mean_l": round(pooled.mean_l, 6),
        "sd_l": round(pooled.sd_l, 6),
        "order_up_to_l": round(pooled.order_up_to_l, 6),
        "most_l": round(pooled.most_l, 6),
        "service_level": pooled.service_level,
        "baseline_l": round(baseline_l, 6),
        "shelf": {
            "on_shelf_l": shelf.litres.on_shelf_l,
            "reserved_l": shelf.litres.reserved_other_l,
            "quarantined_l": shelf.litres.quarantined_l,
            "past_use_by_l": shelf.litres.past_use_by_l,
            "free_l": shelf.litres.free_l,
        },
        "on_order_l": line.on_order_l,
        "horizon_days": horizon,
        "usage_l_per_month": round(need.usage_l_per_month, 6),
        "net_price": str(line.net_price.quantize(Decimal("0.01"))),
        "arrives_on": line.arrives_on.isoformat() if line.arrives_on else None,
        "cut_off": line.cut_off.strftime("%H:%M") if line.cut_off and line.cut_off != NO_CUT_OFF else None,
        "reasons": [
            *({"code": "late_delivery", "text": text} for text in coming.late),
            *({"code": reason.code, "text": reason.text} for reason in line.reasons),
        ],
        "blocked": [
            {"unit": unit, "litres": litres, "reason": reason} for unit, litres, reason in shelf.blocked
        ],
        "unplanned": need.unplanned,
        "parts": _parts(need),
    }


def _margin(usual: Offer | None) -> dict[str, Any]:
    """Return the part of the horizon kept for a late delivery, and whether the usual supplier's orders taught it."""
    if usual is None:
        return {}
    seen = usual.punctuality
    return {
        "late_margin": {
            "days": seen.margin_days, "is_learned": seen.is_margin_learned, "orders": seen.orders,
            "supplier": usual.row.name,
        }
    }  # fmt: skip


def _job(job: JobNeed, unit_code: str) -> dict[str, Any]:
    return {
        "vehicle": job.unit_label.split(" ", 1)[0],
        "unit": unit_code,
        "label": job.unit_label,
        "method": job.job_label,
        "litres": job.litres,
        "chance": round(job.probability or 0.0, 6),
        "chance_due": round(job.p_due or 0.0, 6),
        "turns_up": job.turns_up_share,
        "passes_gate": job.passes_gate_share,
        "needed_on": job.needed_on.isoformat(),
    }


def _parts(need: FluidNeed) -> list[dict[str, Any]]:
    """Return the parts all likely jobs take together, by name."""
    totals: dict[tuple[str, str], float] = {}
    for plan in need.plans:
        for item in plan.parts:
            totals[item.part, item.unit] = totals.get((item.part, item.unit), 0.0) + item.quantity
    return [
        {"part": part, "quantity": round(quantity, 3), "unit": unit}
        for (part, unit), quantity in sorted(totals.items())
    ]


def _write(depot: Depot, as_of: date, drafts: dict[int, dict[str, Any]]) -> OrderReport:
    existing = {line.product_id: line for line in ProposedLine.objects.filter(depot=depot)}
    added, changed = [], []
    for product_pk, content in drafts.items():
        old = existing.pop(product_pk, None)
        if old is None:
            added.append(ProposedLine(depot=depot, product_id=product_pk, worked_out_for=as_of, **content))
        elif any(getattr(old, name) != content[name] for name in CONTENT):
            for name in CONTENT:
                setattr(old, name, content[name])
            old.worked_out_for = as_of
            changed.append(old)
    ProposedLine.objects.bulk_create(added)
    ProposedLine.objects.bulk_update(changed, [*CONTENT, "worked_out_for"])
    ProposedLine.objects.filter(pk__in=[line.pk for line in existing.values()]).delete()
    return OrderReport(len(drafts), len(added), len(changed), len(existing))
