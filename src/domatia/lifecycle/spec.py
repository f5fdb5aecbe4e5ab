"""What a simulated study is like: its place, its ants, its rates, its crew. All of it invented.

Rates are monthly hazards. An effect of an ant acts while that ant lives on the plant, never through the treatment
itself; a treatment only takes ants off (or, as a sham, does everything else). Light is canopy openness as a share.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from types import MappingProxyType
from typing import Literal

Role = Literal["removal", "sham", "control"]

MONTH_DAYS = 30.4375
YEAR_DAYS = 365.25
REFERENCE_LIGHT = 0.30
REFERENCE_CM = 60.0


@dataclass(frozen=True)
class Ant:
    """One ant and what it does on the plant.

    Attributes
    ----------
    name : str
    defends : bool
    share : float
        Weight among occupied plants at the first visit at the reference light.
    founding : float
        Monthly hazard that one of its queens settles on a vacant plant at the reference light.
    founding_light : float
        Change of the log of that hazard by 0.1 more openness.
    loss : float
        Monthly hazard that its colony dies out once workers patrol.
    might : float
        Strength in a contest; 1 is average.
    death, leaf, browse : float
        What patrolling workers do: change of the log hazard of the plant's death, of the log rate of leaf loss and of
        the log hazard of browsing against a vacant plant (negative protects).
    growth : float
        Change of the relative growth rate (per year) against a vacant plant.
    """

    name: str
    defends: bool
    share: float
    founding: float
    founding_light: float
    loss: float
    might: float
    death: float
    leaf: float
    browse: float
    growth: float


@dataclass(frozen=True)
class Habitat:
    """One habitat, its site and its light (mean and spread of openness among plants, as shares)."""

    name: str
    site: str
    light: float
    light_sd: float


@dataclass(frozen=True)
class Arm:
    """One treatment of the experiment."""

    name: str
    role: Role


@dataclass(frozen=True)
class PlantRates:
    """How plants live when no ant is on them, and how they differ.

    `death`, `browsing` are monthly hazards; `leaf` is the monthly loss of leaf area (share of what is left);
    `growth` is per year; `*_light` is the change by 0.1 more openness, `death_size` by one unit of log height;
    `*_block`, `*_plant` are standard deviations between blocks and between plants on the same scale.
    """

    death: float = 0.026
    death_light: float = -0.05
    death_size: float = -0.15
    death_block: float = 0.25
    growth: float = 0.16
    growth_light: float = 0.02
    growth_block: float = 0.04
    growth_plant: float = 0.06
    growth_noise: float = 0.008
    browsing: float = 0.03
    browsing_low: float = 0.02
    browsing_high: float = 0.25
    leaf: float = 0.045
    leaf_light: float = 0.04
    leaf_block: float = 0.20
    leaf_plant: float = 0.40
    leaf_evenness: float = 1.5
    leaf_drop: float = 0.02
    leaf_gone: float = 0.90
    founding_block: float = 0.20
    start_cm: float = REFERENCE_CM
    start_sd: float = 0.45


@dataclass(frozen=True)
class ColonyRates:
    """How colonies grow and meet.

    Attributes
    ----------
    queen_workers, first_patrol : float
        Workers of a colony that a queen is founding, and of one that begins to patrol.
    matures, fails : float
        Monthly hazards that a founding queen's workers begin to patrol, and that she dies.
    growth, capacity : float
        Monthly growth rate of a patrolling colony; workers that a plant of 100 cm holds.
    contest : float
        Monthly hazard that one neighbouring plant's colony of another ant attacks.
    contest_power : float
        The attacker wins with chance `m q / (1 + m q)`, `q` = (its workers / the holder's) to this power, `m` the
        ratio of the two ants' might.
    neighbours : int
        Nearest plants of the same block from which an attack can come.
    vacant_share, founding_share : float
        Share of plants without ants at the first visit, at the reference light; share of the others on which a queen
        is only founding.
    """

    queen_workers: float = 8.0
    first_patrol: float = 80.0
    matures: float = 0.30
    fails: float = 0.06
    growth: float = 0.45
    capacity: float = 900.0
    contest: float = 0.060
    contest_power: float = 0.5
    neighbours: int = 6
    vacant_share: float = 0.15
    founding_share: float = 0.06


@dataclass(frozen=True)
class Treating:
    """How the treatments work.

    `efficacy`: chance that a removal takes the colony. `retreated`: chance that ants seen on a removal plant are
    taken off at the same visit. `founding`: change of the log hazard of being settled on a removal plant.
    `procedure_death`, `procedure_growth`: what the handling itself does to removal and sham plants alike.
    """

    efficacy: float = 0.99
    retreated: float = 0.90
    founding: float = -0.20
    procedure_death: float = 0.0
    procedure_growth: float = 0.0


@dataclass(frozen=True)
class Crew:
    """How the crew works and errs. Shares are per visit of a plant unless said otherwise."""

    gap_days: float = 62.0
    gap_spread: float = 12.0
    first_spread: float = 12.0
    block_skipped: float = 0.02
    block_partly: float = 0.01
    not_found: float = 0.03
    dead_not_found: float = 0.08
    not_looked: float = 0.04
    false_dead: float = 0.0008
    confirms_dead: float = 0.7
    height_error: float = 0.03
    basal_error: float = 0.04
    openness_error: float = 0.012
    remeasured: float = 0.03
    misnamed: float = 0.0005
    tag_lost: float = 0.004
    leaf_error: float = 0.15
    leaf_plants: int = 8
    leaves: int = 10
    leaf_every: int = 3
    single_leaves: int = 6
    people: tuple[str, ...] = ("Ada Quillfeather", "Bram Ostrander-Vale", "Ines Marrowmere", "Tolu Fenwhistle")


ANTS = (
    Ant("Rust-gaster ant", True, 0.40, 0.022, 0.14, 0.010, 1.15, -1.10, -1.10, -1.6, 0.11),
    Ant("Velvet-eyed ant", True, 0.25, 0.016, -0.15, 0.013, 1.00, -0.90, -0.80, -1.2, 0.09),
    Ant("Straw-leg ant", True, 0.15, 0.010, 0.05, 0.016, 0.85, -0.60, -0.50, -0.8, 0.06),
    Ant("Idle amber ant", False, 0.20, 0.014, 0.00, 0.018, 0.70, 0.00, 0.00, 0.0, -0.02),
)

HABITATS = (
    Habitat("closed forest", "Hollow Fen Wood", 0.14, 0.05),
    Habitat("old fallow", "Lantern Slope", 0.24, 0.06),
    Habitat("forest edge", "Nettlewick Edge", 0.36, 0.07),
    Habitat("pasture", "Oxbow Lea", 0.52, 0.08),
)

ARMS = (Arm("removal", "removal"), Arm("sham", "sham"), Arm("control", "control"))


@dataclass(frozen=True)
class Spec:
    """A whole simulated study.

    Attributes
    ----------
    name, plant_species : str
    start : datetime.date
        Day on which the first block is treated.
    years : float
        Years of visits after the treatment.
    blocks, plants_per_block : int
        Blocks are dealt to the habitats in turn; the arms share a block's plants evenly, by a draw.
    help : float
        Multiplies everything that ants do to plants: 1 as given, 0 nothing, -1 the reverse.
    """

    name: str = "Lantern-tree study"
    plant_species: str = "lantern tree"
    start: date = date(2021, 3, 1)
    years: float = 3.0
    blocks: int = 24
    plants_per_block: int = 84
    help: float = 1.0
    ants: tuple[Ant, ...] = ANTS
    habitats: tuple[Habitat, ...] = HABITATS
    arms: tuple[Arm, ...] = ARMS
    plants: PlantRates = field(default_factory=PlantRates)
    colonies: ColonyRates = field(default_factory=ColonyRates)
    treating: Treating = field(default_factory=Treating)
    crew: Crew = field(default_factory=Crew)

    @property
    def n_plants(self) -> int:
        """Number of plants in the study."""
        return self.blocks * self.plants_per_block

    @property
    def rounds(self) -> int:
        """Number of census rounds, the one before the treatment included."""
        return 1 + round(self.years * YEAR_DAYS / self.crew.gap_days + 0.5)

    @property
    def months(self) -> int:
        """Months that are simulated: a little more than the visits need."""
        return int(self.rounds * self.crew.gap_days / MONTH_DAYS) + 1

    def sized(self, blocks: int, plants_per_block: int) -> "Spec":
        """Give the same study with other numbers of blocks and plants."""
        return replace(self, blocks=blocks, plants_per_block=plants_per_block)


DEFAULT = Spec()
PRESETS: Mapping[str, Spec] = MappingProxyType(
    {
        "default": DEFAULT,
        "no_effect": replace(DEFAULT, help=0.0),
        "harm": replace(DEFAULT, help=-0.6),
    }
)
