"""Which jobs are of one appliance: by the names that people give, in any case."""

from logger.model.job import Job


def same_appliance(one: Job, other: Job) -> bool:
    """By customer, site and appliance as named, in any case; a site counts where both name one. Invented jobs are of
    their own world."""
    sites = {plain_name(job.site) for job in (one, other)} - {""}
    return (
        one.invented == other.invented
        and len(sites) < 2
        and plain_name(one.customer) == plain_name(other.customer)
        and plain_name(one.appliance) == plain_name(other.appliance)
    )


def plain_name(text: str) -> str:
    return " ".join(text.casefold().split())
