"""One file a check: tables in, findings out."""

from collections.abc import Sequence

from domatia.checks.adult_without_tag import CHECK as ADULT_WITHOUT_TAG
from domatia.checks.associate_there_and_not import CHECK as ASSOCIATE_THERE_AND_NOT
from domatia.checks.back_from_the_dead import CHECK as BACK_FROM_THE_DEAD
from domatia.checks.barrier_overdue import CHECK as BARRIER_OVERDUE
from domatia.checks.bridge import CHECK as BRIDGE
from domatia.checks.contact_after_exclusion import CHECK as CONTACT_AFTER_EXCLUSION
from domatia.checks.count_without_extent import CHECK as COUNT_WITHOUT_EXTENT
from domatia.checks.dead_above_workers import CHECK as DEAD_ABOVE_WORKERS
from domatia.checks.death_after_gap import CHECK as DEATH_AFTER_GAP
from domatia.checks.digit_heaping import CHECK as DIGIT_HEAPING
from domatia.checks.domatium_opened_twice import CHECK as DOMATIUM_OPENED_TWICE
from domatia.checks.duplicate_visit import CHECK as DUPLICATE_VISIT
from domatia.checks.eaten_above_offered import CHECK as EATEN_ABOVE_OFFERED
from domatia.checks.effect_unusable import CHECK as EFFECT_UNUSABLE
from domatia.checks.impossible_brix import CHECK as IMPOSSIBLE_BRIX
from domatia.checks.impossible_date import CHECK as IMPOSSIBLE_DATE
from domatia.checks.larvae_above_eggs import CHECK as LARVAE_ABOVE_EGGS
from domatia.checks.longer_than_since import CHECK as LONGER_THAN_SINCE
from domatia.checks.mass_without_bodies import CHECK as MASS_WITHOUT_BODIES
from domatia.checks.no_permit import CHECK as NO_PERMIT
from domatia.checks.not_found_then_found import CHECK as NOT_FOUND_THEN_FOUND
from domatia.checks.observer_drift import CHECK as OBSERVER_DRIFT
from domatia.checks.occupancy_blank import CHECK as OCCUPANCY_BLANK
from domatia.checks.occupant_changed import CHECK as OCCUPANT_CHANGED
from domatia.checks.occupied_removal import CHECK as OCCUPIED_REMOVAL
from domatia.checks.out_of_range import CHECK as OUT_OF_RANGE
from domatia.checks.outside_plot import CHECK as OUTSIDE_PLOT
from domatia.checks.patrol_without_ants import CHECK as PATROL_WITHOUT_ANTS
from domatia.checks.place_not_visited import CHECK as PLACE_NOT_VISITED
from domatia.checks.production_with_ants import CHECK as PRODUCTION_WITH_ANTS
from domatia.checks.residue import CHECK as RESIDUE
from domatia.checks.shrinkage import CHECK as SHRINKAGE
from domatia.checks.sprayed_control import CHECK as SPRAYED_CONTROL
from domatia.checks.survivors_above_larvae import CHECK as SURVIVORS_ABOVE_LARVAE
from domatia.checks.tag_borne_by_two import CHECK as TAG_BORNE_BY_TWO
from domatia.checks.tag_flip import CHECK as TAG_FLIP
from domatia.checks.tag_without_plant import CHECK as TAG_WITHOUT_PLANT
from domatia.checks.taxon_spelling import CHECK as TAXON_SPELLING
from domatia.checks.too_near import CHECK as TOO_NEAR
from domatia.checks.trial_disagrees import CHECK as TRIAL_DISAGREES
from domatia.checks.unit_jump import CHECK as UNIT_JUMP
from domatia.checks.vertebrate_without_permit import CHECK as VERTEBRATE_WITHOUT_PERMIT
from domatia.checks.visit_after_death import CHECK as VISIT_AFTER_DEATH
from domatia.checks.visit_before_tagging import CHECK as VISIT_BEFORE_TAGGING
from domatia.checks.winner_not_a_party import CHECK as WINNER_NOT_A_PARTY
from domatia.model import Check, Finding, StudyData, WrongUse

__all__ = ["ALL", "run_checks"]

ALL: tuple[Check, ...] = (
    ADULT_WITHOUT_TAG,
    ASSOCIATE_THERE_AND_NOT,
    BACK_FROM_THE_DEAD,
    BARRIER_OVERDUE,
    BRIDGE,
    CONTACT_AFTER_EXCLUSION,
    COUNT_WITHOUT_EXTENT,
    DEAD_ABOVE_WORKERS,
    DEATH_AFTER_GAP,
    DIGIT_HEAPING,
    DOMATIUM_OPENED_TWICE,
    DUPLICATE_VISIT,
    EATEN_ABOVE_OFFERED,
    EFFECT_UNUSABLE,
    IMPOSSIBLE_BRIX,
    IMPOSSIBLE_DATE,
    LARVAE_ABOVE_EGGS,
    LONGER_THAN_SINCE,
    MASS_WITHOUT_BODIES,
    NO_PERMIT,
    NOT_FOUND_THEN_FOUND,
    OBSERVER_DRIFT,
    OCCUPANCY_BLANK,
    OCCUPANT_CHANGED,
    OCCUPIED_REMOVAL,
    OUT_OF_RANGE,
    OUTSIDE_PLOT,
    PATROL_WITHOUT_ANTS,
    PLACE_NOT_VISITED,
    PRODUCTION_WITH_ANTS,
    RESIDUE,
    SHRINKAGE,
    SPRAYED_CONTROL,
    SURVIVORS_ABOVE_LARVAE,
    TAG_BORNE_BY_TWO,
    TAG_FLIP,
    TAG_WITHOUT_PLANT,
    TAXON_SPELLING,
    TOO_NEAR,
    TRIAL_DISAGREES,
    UNIT_JUMP,
    VERTEBRATE_WITHOUT_PERMIT,
    VISIT_AFTER_DEATH,
    VISIT_BEFORE_TAGGING,
    WINNER_NOT_A_PARTY,
)

_RANK = {"error": 0, "warning": 1, "note": 2}


def _order(finding: Finding) -> tuple[int, str, str, str]:
    label = finding.where[0].label if finding.where else ""
    return _RANK[finding.severity], finding.code, label, finding.key


def run_checks(data: StudyData, only: Sequence[str] = ()) -> tuple[Finding, ...]:
    """Run the checks and give what they found.

    Parameters
    ----------
    data : StudyData
    only : sequence of str
        Codes of the checks to run; all of them when empty.

    Returns
    -------
    tuple of Finding
        Errors before warnings before notes, then by code, then by label. Equal for equal records in any order.

    Raises
    ------
    WrongUse
        If there is no check of one of these codes.
    """
    known = {check.code: check for check in ALL}
    strange = [code for code in only if code not in known]
    if strange:
        raise WrongUse(f"There is no check called {', '.join(strange)}", known, name=strange[0])
    chosen = [check for code, check in known.items() if not only or code in only]
    found = [finding for check in chosen if data.table(check.kinds[0]).height for finding in check.run(data)]
    return tuple(sorted(found, key=_order))
