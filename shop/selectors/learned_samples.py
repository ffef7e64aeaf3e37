"""How unit models mix, from the laboratory samples of closed jobs."""

import datetime
from collections import defaultdict

from intervals.errors import HatchmarkError
from intervals.exchange.learning import Observed
from intervals.exchange.sampling import mixing_from_sample, share_from_sample
from shop.models import CardFigure, FluidSample, Job
from shop.selectors.learned_drains import card_or_none
from shop.selectors.learned_jobs import Observation, observation
from shop.selectors.samples import contents_of, litres_done

MIXING_FIGURE = "mixing"


def mixing_by_model(
    as_of: datetime.date, figures: dict[int, list[CardFigure]]
) -> dict[tuple[int, str], list[Observation]]:
    """Return the mixing numbers that samples show by unit model, oldest first; declined samples show nothing."""
    found: dict[tuple[int, str], list[Observation]] = defaultdict(list)
    samples = (
        FluidSample.objects.exclude(state=FluidSample.State.DECLINED)
        .filter(taken_on__lte=as_of, job__state=Job.State.HANDED_BACK)
        .select_related("job__unit__unit_model__product", "job__product", "job__vehicle__depot", "job__jug")
        .order_by("taken_on", "pk")
    )
    for sample in samples:
        job, model = sample.job, sample.job.unit.unit_model
        seen, reason = None, ""
        card = card_or_none(model, figures.get(model.pk, ()))
        if card is None:
            reason = "the unit card is unfinished or contradicts itself"
        else:
            try:
                sampled = share_from_sample(contents_of(sample))
                mixing = mixing_from_sample(sampled, *litres_done(job, card), card.total_fill_l)
                seen = Observed(mixing.mixing, mixing.sd)
            except HatchmarkError as error:
                reason = str(error)
        how = f"{sample.element}, report {sample.laboratory_ref}"
        found[model.pk, MIXING_FIGURE].append(observation(job, seen, how, reason))
    return found
