"""What was known before a late fact: facts with that one taken back, to tell what it brought."""

from collections.abc import Mapping, Sequence
from functools import partial

from batches import edges
from batches.edges import Mixture
from batches.genealogy import Amount, links
from batches.models import Movement
from batches.near import fed_by
from haccp.allergens.facts import Facts, Mass, mixed_of, thicker, web_of
from haccp.allergens.statements import Stated


def without_statement(facts: Facts, spoke: Mapping[int, Sequence[Stated]]) -> None:
    """Let other statements speak for some lots."""
    for key in spoke.keys() & facts.lots.keys():
        facts.spoken[key] = list(spoke[key])
        told = (facts.bits.told_by(each.text) for each in spoke[key])
        facts.own[key] = facts.bits.stated(told, facts.lots[key].day, leaf=False)
    facts.respread()


def without_movement(facts: Facts, movement: Movement) -> None:
    """Take back what was recorded of its batches with a movement. Its corrected one has to be among the lots. Two statements."""
    mixtures = edges.before(movement)
    was = [
        (link.source, link.target, batch, link.share)
        for batch, mixture in mixtures.items()
        for link in links(mixture.used, mixture.made)
    ]
    facts.fed = [each for each in facts.fed if each.batch not in mixtures] + fed_by(was)
    if movement.batch_id is not None:
        facts.knots.narrow(movement.batch_id, movement.lot_id, edges.uses_before(movement))
    facts.web = web_of(facts.fed, facts.knots)
    facts.mixing = partial(mixed_of, instead={batch: _mass(mixture) for batch, mixture in mixtures.items()})
    facts.respread()


def _mass(mixture: Mixture) -> Mass:
    (used, all_used), (made, all_made) = _whole(mixture.used), _whole(mixture.made)
    return thicker(used, made, all_used=all_used, all_made=all_made)


def _whole(amounts: Sequence[Amount]) -> tuple[int, bool]:
    return sum(each.mass or 0 for each in amounts), bool(amounts) and all(
        each.mass is not None for each in amounts
    )
