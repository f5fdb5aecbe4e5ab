"""Words by which a table's headers and cells are recognised. Common practice of field tables, no source.

English with the commonest words of Portuguese, Spanish and French tables. Everything is compared in lower case, with
accents taken off and every run of other signs turned into one underscore.
"""

import re
import unicodedata

BLANK_WORDS = frozenset(
    {"na", "n/a", "n.a.", "nan", "null", ".", "-", "--", "---", "#n/a", "n.d.", "nd", "s/d", "no data", "sem dados"}
)
"""Cells that say nothing, in lower case."""

CODE_WORDS = {
    "dead": "dead", "died": "dead", "d": "dead", "+": "dead", "†": "dead", "morta": "dead", "morto": "dead",
    "muerta": "dead", "muerto": "dead", "mort": "dead", "morte": "dead",
    "nf": "not found", "not_found": "not found", "missing": "not found", "lost": "not found",
    "nao_encontrada": "not found", "nao_encontrado": "not found", "no_encontrada": "not found",
    "no_encontrado": "not found", "perdida": "not found",
    "nl": "not looked", "not_looked": "not looked", "not_checked": "not looked", "not_measured": "not looked",
    "nm": "not looked", "not_counted": "not looked", "nc": "not looked", "n_c": "not looked",
    "none": "none", "zero": "none", "nenhum": "none", "nenhuma": "none", "ninguno": "none", "ninguna": "none",
    "aucun": "none", "aucune": "none",
    "nv": "not visited", "not_visited": "not visited",
}  # fmt: skip
"""Words in a measured column to what they mean."""

STATUS_WORDS = {
    "alive": "alive", "a": "alive", "live": "alive", "living": "alive", "l": "alive", "measured": "alive",
    "ok": "alive", "viva": "alive", "vivo": "alive", "vivant": "alive", "vivante": "alive",
    "survived": "alive",
    "dead": "dead confirmed", "dead_confirmed": "dead confirmed", "d": "dead confirmed", "died": "dead confirmed",
    "morta": "dead confirmed", "morto": "dead confirmed", "muerta": "dead confirmed", "muerto": "dead confirmed",
    "mort": "dead confirmed", "morte": "dead confirmed",
    "no_live_tissue": "no live tissue", "dry": "no live tissue", "seca": "no live tissue", "seco": "no live tissue",
    "missing": "not found", "not_found": "not found", "nf": "not found", "lost": "not found",
    "nao_encontrada": "not found", "no_encontrada": "not found", "perdida": "not found",
    "unsearchable": "unsearchable", "inaccessible": "unsearchable", "flooded": "unsearchable",
    "not_visited": "not visited", "nv": "not visited",
}  # fmt: skip
"""Words of a status column."""

SURVIVAL_WORDS = {
    "1": "alive", "0": "dead confirmed", "true": "alive", "false": "dead confirmed", "yes": "alive",
    "no": "dead confirmed",
}  # fmt: skip
"""Cells of a column that asks whether the plant is alive."""

_HEADERS: dict[tuple[str, str], str] = {
    ("place", "name"): "plot plot_id plotid plot_no plot_number block block_id quadrat parcel parcela bloco bloque"
    " parcelle place place_name transect transect_id",
    ("place", "within"): "site site_id locality sitio local locality_name",
    ("place", "habitat"): "habitat habitat_type",
    ("place", "searched_m2"): "area plot_area area_m2 searched_m2",
    ("plant", "@key"): "plant plant_id plantid plant_no plant_number individual individual_id ind ind_id id planta"
    " planta_id plante",
    ("tag", "tag"): "tag tag_number tag_no tagno tag_id tagnumber placa etiqueta new_tag new_tag_no new_tag_number",
    ("tag", "former_tag"): "old_tag old_tag_no old_tag_number former_tag previous_tag",
    ("plant", "species"): "species sp plant_species especie espece taxon morphotype host host_species",
    ("plant", "subplot"): "subplot sub_plot cell grid_cell quadrant subparcela",
    ("plant", "x_m"): "x x_m coord_x easting_m",
    ("plant", "y_m"): "y y_m coord_y northing_m",
    ("plant", "longitude"): "longitude lon long lng decimallongitude",
    ("plant", "latitude"): "latitude lat decimallatitude",
    ("plant", "uncertainty_m"): "uncertainty uncertainty_m gps_error accuracy_m",
    ("plant", "first_seen"): "first_seen date_tagged tagged date_planted",
    ("plant", "origin"): "origin recorded_sdlg seedling sdlg recorded_as_seedling",
    ("visit", "when"): "date when data fecha visit_date survey_date date_visited day_visited census_date year yr ano"
    " census_year survey_year annee date_changed change_date day_changed date_of_change",
    ("round", "name"): "round census census_no census_number survey campaign campanha censo",
    ("visit", "observer"): "observer recorder recorded_by observador obs_by crew initials obs who",
    ("visit", "status"): "status census_status plant_status state fate alive surv survival survived estado dead",
    ("visit", "height_cm"): "height ht hgt plant_height altura alt hauteur height_cm",
    ("visit", "basal_mm"): "basal basal_diameter basal_diam bd rcd diameter diam stem_diameter dap dbh diametro",
    ("visit", "shoots"): "shoots shts n_shoots stems n_stems num_shoots rebentos reb brotos",
    ("visit", "leaves"): "leaves n_leaves num_leaves folhas hojas lvs",
    ("visit", "domatia"): "domatia n_domatia thorns n_thorns pouches internodes",
    ("visit", "domatia_open"): "domatia_open open_domatia entrances",
    ("visit", "flowers"): "flowers n_flowers infl inflorescences n_infl flores flr",
    ("visit", "fruits"): "fruits n_fruits frutos fruit",
    ("visit", "vines_touching"): "vines vines_touching lianas n_vines",
    ("visit", "bare_radius_cm"): "bare_radius cleared_radius clearing_radius",
    ("visit", "openness_pct"): "openness canopy_openness open_pct",
    ("visit", "condition"): "condition cond treefall_status",
    ("visit", "note"): "note notes notas remark remarks comment comments observations observacoes observaciones",
    ("occupancy", "taxon"): "ant ants ant_species ant_taxon occupant ant_occupant formiga hormiga fourmi resident_ant",
    ("occupancy", "stage"): "colony_stage stage ant_stage",
    ("occupancy", "looked"): "looked ants_looked looked_for_ants",
    ("occupancy", "workers"): "workers n_workers",
    ("occupancy", "queens_alive"): "queens queens_alive live_queens",
    ("occupancy", "queens_dead"): "queens_dead dead_queens",
    ("treatment", "name"): "treatment trt treat tratamento tratamiento traitement",
    ("place_visit", "searched"): "searched search_effort",
    ("place_visit", "observers"): "observers crew_members",
}  # fmt: skip

HEADERS: dict[str, tuple[str, str]] = {name: target for target, names in _HEADERS.items() for name in names.split()}
"""Plain header to record kind and field; the field "@key" is what tells one plant from another."""

RECORD_HEADERS = {
    ("leaf", "age_class"): "age leaf_age age_of_leaf",
    ("leaf", "missing_pct"): "missing pct_missing missing_area pct_eaten damage_pct pct_damage herbivory_pct",
    ("leaf", "leaf"): "leaf_no leaf_number leaf_id folha hoja",
}
"""Fields of other records than visits to further headers by which they are known."""

RECORD_WORDS = {
    ("leaf", "fate"): {
        "fell": "abscised", "fallen": "abscised", "dropped": "abscised", "shed": "abscised", "abscissed": "abscised",
        "caiu": "abscised", "lost": "unknown", "gone": "unknown", "missing": "unknown", "there": "present",
    },
    ("leaf", "age_class"): {"old": "mature", "new": "young", "flush": "expanding"},
    ("tag", "why"): {
        "tag_lost": "lost", "lost_tag": "lost", "worn": "illegible", "misread": "other", "chewed": "other",
        "double": "duplicate", "new": "first tag",
    },
    ("occupancy", "stage"): {
        "queen": "founding queen", "queen_only": "founding queen", "founding": "founding queen",
        "founder": "founding queen", "dead_queen": "dead queen only", "patrol": "patrolling", "est": "established",
        "alates": "with alates", "vacant": "none", "empty": "none",
    },
}  # fmt: skip
"""Words of choices beside the model's own to what they mean."""

DAY_COLUMNS = (
    ("year", "ano", "yr", "annee"),
    ("month", "mes", "mois", "mon"),
    ("day", "dia", "jour"),
)
"""Headers of year, month and day where they stand in columns of their own."""

TREATMENT_ROLES = (
    ("sham", ("sham", "procedur", "handled", "disturb")),
    ("removal", ("remov", "exclu", "without", "no_ant", "minus", "kill", "ants_off", "off", "sem_", "sin_", "sans")),
    ("control", ("control", "with", "intact", "untouched", "plus", "ants_on", "com_", "con_", "avec")),
)
"""Role of a treatment to pieces of its name, tried in this order."""

UNITS = {
    "mm": "mm", "cm": "cm", "dm": "dm", "m": "m", "km": "km", "in": "in", "ft": "ft", "mm2": "mm2", "cm2": "cm2",
    "m2": "m2", "ha": "ha", "s": "s", "sec": "s", "seconds": "s", "min": "min", "minutes": "min", "h": "h", "hr": "h",
    "hours": "h", "d": "d", "days": "d", "ul": "uL", "ml": "mL", "l": "L", "ug": "ug", "mg": "mg", "g": "g",
    "kg": "kg", "pct": "%", "percent": "%", "perc": "%", "deg": "deg", "degc": "Cel", "c": "Cel",
}  # fmt: skip
"""Last part of a header to the unit it means."""


def plain_name(text: str) -> str:
    """Give a header or word without accents, in lower case, its parts joined by underscores."""
    flat = unicodedata.normalize("NFKD", text.replace("²", "2").replace("µ", "u").replace("%", " pct "))
    flat = "".join(c for c in flat if not unicodedata.combining(c))
    flat = re.sub(r"(?<=[a-z])(?=[A-Z])", "_", flat)
    return re.sub(r"[^a-z0-9]+", "_", flat.lower()).strip("_")


def name_and_unit(header: str) -> tuple[str, str]:
    """Cut a header into its plain name and the unit at its end, empty if there is none.

    The position that a doubled header carries ("X@55") does not count.
    """
    plain = plain_name(re.sub(r"@\d+'*$", "", header))
    head, _, last = plain.rpartition("_")
    return (head, UNITS[last]) if head and last in UNITS else (plain, "")
