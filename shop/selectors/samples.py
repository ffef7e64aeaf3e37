"""What laboratory samples show, beside what the jobs they judge had worked out."""

from dataclasses import dataclass

from django.db.models import QuerySet

from intervals.errors import HatchmarkError, QuantityError
from intervals.exchange import UnitCard
from intervals.exchange.done import litres_exchanged
from intervals.exchange.fluid_kinds import OIL
from intervals.exchange.sampling import Contents, SampledShare, check_sampled, share_from_sample
from shop.models import FluidSample, Job, LastService, Person, Product, Unit
from shop.selectors.access import depots_of, jobs_of
from shop.selectors.exchange import card_from, figures_in_force
from shop.selectors.job_litres import litres_at_card
from shop.selectors.learned_jobs import product_of

JOBS_OFFERED = 20


@dataclass(frozen=True, slots=True)
class SampleView:
    """A sample with the share it shows; without one, why not."""

    sample: FluidSample
    sampled: SampledShare | None
    why_not: str = ""

    @property
    def computed_share(self) -> float | None:
        """What the job had worked out from its litres, before any measured share took its place."""
        if self.sample.state == FluidSample.State.ACCEPTED:
            return self.sample.computed_share
        return self.sample.job.fresh_share


def samples_of(person: Person) -> QuerySet[FluidSample]:
    """Return the samples of jobs on vehicles of the person's depots."""
    return FluidSample.objects.filter(job__vehicle__depot__in=depots_of(person)).select_related(
        "job__unit__unit_model", "job__vehicle", "recorded_by", "decided_by"
    )


def sample_find(person: Person, pk: int) -> FluidSample | None:
    """Return a sample the person may see, or None."""
    return samples_of(person).filter(pk=pk).first()


def jobs_to_sample(person: Person, unit: Unit) -> list[Job]:
    """Return the unit's finished jobs on fluid that a sample can be of, the last first."""
    return list(
        jobs_of(person)
        .filter(unit=unit, subject="fluid", state=Job.State.HANDED_BACK, kind=Job.Kind.SERVICE)
        .select_related("unit__unit_model__product", "product", "vehicle__depot", "jug")
        .order_by("-done_on", "-pk")[:JOBS_OFFERED]
    )


def samples_of_unit(person: Person, unit: Unit) -> list[SampleView]:
    """Return the unit's samples with the shares they show, the last first."""
    return [
        sample_view(sample)
        for sample in samples_of(person).filter(job__unit=unit).order_by("-taken_on", "-pk")
    ]


def stands_on(job: Job) -> bool:
    """Say whether where its unit stands now was worked out from this job."""
    return LastService.objects.filter(job=job, subject="fluid").exists()


def sample_view(sample: FluidSample) -> SampleView:
    """Return a sample with its share."""
    try:
        return SampleView(sample, share_from_sample(contents_of(sample)))
    except HatchmarkError as error:
        return SampleView(sample, None, str(error))


def contents_of(sample: FluidSample) -> Contents:
    """Return a sample's contents as the arithmetic takes them."""
    return Contents(sample.before_mg_kg, sample.new_mg_kg, sample.after_mg_kg, sample.sd_share)


def sampled_share(job: Job, contents: Contents, card: UnitCard | None = None) -> SampledShare:
    """Return the share a sample of a job shows, once it fits the job's litres.

    card: the unit's card; None reads it.

    Raises:
        HatchmarkError: one sentence on why the sample cannot be used.
    """
    sampled = share_from_sample(contents)
    if card is None:
        card = card_from(job.unit.unit_model, figures_in_force([job.unit])[job.unit_id])
    check_sampled(sampled, *litres_done(job, card), card.total_fill_l)
    return sampled


def litres_done(job: Job, card: UnitCard) -> tuple[float, float]:
    """Return litres at 20 °C that a job drained and refilled, and that it pushed through.

    Raises:
        HatchmarkError: the job notes no litres that went in, or its method is not known.
    """
    if job.in_l is None and job.in_kg is None:
        raise QuantityError(f"{job.code} does not note what went in, so a sample of it cannot be judged.")
    return litres_exchanged(card, job.method, _in_at_card_l(job))


def _in_at_card_l(job: Job) -> float:
    """Return what went in at 20 °C, a known error of the jug taken off."""
    litres = job.in_l
    if litres is not None and job.jug is not None:
        litres *= 1.0 - job.jug.error_on(job.done_on)
    product = product_of(job) or Product(family=OIL)
    return litres_at_card(product, litres, job.in_kg, job.in_temp_c, job.strength_left_share)
