"""What could mislead in the answer about bare ground and vines."""

from collections.abc import Sequence

from domatia.histories.ground import NOTHING_NEAR
from domatia.model import Doubt, Effect, StudyData
from domatia.questions.clearance_numbers import HELD, Material
from domatia.questions.standing_doubts import standing_doubts


def clearance_doubts(data: StudyData, about: Material, effects: Sequence[Effect]) -> tuple[Doubt, ...]:
    """Gather the doubts; the gravest first."""
    if not effects:
        return ()
    standing = standing_doubts(data, about.groups, about.clusters)
    found = standing if about.blocks_known else _no_blocks()
    if data.table("visit")["growth_near"].count() == 0 and about.looks.height:
        text = (
            "Nobody noted whether anything grows near: a plant on ground that is bare anyhow counts as one that ants "
            "keep clear."
        )
        found.append(Doubt("growth_near_blank", "warning", text))
    out = len(about.left_out.get(NOTHING_NEAR, ()))
    if out:
        found.append(Doubt("nothing_near", "note", f"{out:,} looks at plants with nothing growing near were left out."))
    if any(e.of == HELD for e in effects):
        text = (
            "As occupied is no experiment: ants may settle where little grows, and a clearing outlives the ants that "
            "made it."
        )
        found.append(Doubt("as_occupied", "note", text))
    if about.groups.column != "treatment":
        text = (
            f"If plants that differ in {about.groups.column.replace('_', ' ')} also differ in their ants, or in what "
            "grows on them for other reasons, the difference cannot be laid to the ants."
        )
        found.append(Doubt("confounded", "warning", text))
    if any(e.name.startswith("vine_contact_difference") for e in effects):
        text = (
            "Differences in the share of looks with vines have intervals that are wider than need be where ants do "
            "more in one habitat than in another (in simulated studies they held the truth 96 to 98 times in 100)."
        )
        found.append(Doubt("wide_interval", "note", text))
    if about.laid.height and int(about.laid["cut"].sum()) < about.laid.height:
        left = about.laid.height - int(about.laid["cut"].sum())
        text = (
            f"{left:,} of {about.laid.height:,} laid vines still touched at the last look and count as uncut till then."
        )
        found.append(Doubt("still_touching", "note", text))
    order = {"error": 0, "warning": 1, "note": 2}
    return tuple(sorted(found, key=lambda d: order[d.severity]))


def _no_blocks() -> list[Doubt]:
    text = "Plants stand in no blocks that are known: plants near each other may be alike, and intervals too narrow."
    return [Doubt("no_blocks", "warning", text)]
