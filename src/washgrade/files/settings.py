"""The settings of a site: one table of names, defaults, limits and words, and ``site.toml`` drawn from it."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

from washgrade.checks import choice, number, whole
from washgrade.errors import InputError, SiteError
from washgrade.files.columns import nearest
from washgrade.units import UNITS

if TYPE_CHECKING:
    from washgrade.dig.cleanup import CleanupRule
    from washgrade.dig.haul import HaulRule
    from washgrade.dig.load import Shovel
    from washgrade.dig.stock import StreakRule
    from washgrade.sand.layers import SamplingSettings
    from washgrade.sand.purity import Purity

__all__ = ["Settings", "changed_text", "read_settings", "settings_text"]


def _set(default: Any, check: Callable[..., Any], words: str, **limits: Any) -> Any:
    return field(default=default, metadata={"check": check, "words": words, "limits": limits})


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Everything about a site that is neither ground nor record.

    Each field carries its limits and its words; ``site.toml`` and its reading are drawn from them, so this
    table is the only place to add or change one.

    Raises
    ------
    InputError
        If a value is outside its limits.

    Examples
    --------
    >>> Settings().shovel_litres
    4.0
    >>> Settings(porosity=1.2)
    Traceback (most recent call last):
    ...
    washgrade.errors.InputError: Invalid 'porosity' of 1.2. It must be a finite number above 0 and below 1.
    """

    units: str = _set(
        "metric",
        choice,
        "What people see: 'metric', or 'us' for feet, pounds and gallons. Files and records keep their own "
        "units.",
        allowed=UNITS,
    )
    shovel_litres: float = _set(
        4.0,
        number,
        "Loose sand in one shovel load, litres. A level fill of 4 L of dry sand weighs 6.4 kg (volume times "
        "the "
        "handbook's bulk density of 1602 kg/m3); F. W. Taylor (1911) found 21 lb, 9.5 kg, the best load for "
        "a day.",
        above=0.0,
        at_most=50.0,
    )
    bite_m: float = _set(
        0.10,
        number,
        "Depth that a shovel scrape takes, metres. Our choice, because a flat scrape with a blade 0.3 m long "
        "takes "
        "about a third of its length.",
        above=0.0,
        at_most=2.0,
    )
    cutoff_grade: float = _set(
        0.10,
        number,
        "Grade below which digging is not worth it: mass of magnetics per dry mass, 0 to 1. Our choice, "
        "because at "
        "a tenth ten loads are carried for one of product; set it to what your work bears.",
        above=0.0,
        below=1.0,
    )
    porosity: float = _set(
        0.40,
        number,
        "Share of the loose bed that is air, 0 to 1. Dry sand of 1602 kg/m3 with grains of 2650 kg/m3 has "
        "0.395; "
        "void ratios of 0.4 (dense) to 0.8 (loose) give 0.29 to 0.44 (soil mechanics handbook).",
        above=0.0,
        below=1.0,
    )
    light_density_kg_m3: float = _set(
        2650.0,
        number,
        "Density of the light grains, kg/m3. Quartz (Klein and Dutrow, Manual of Mineral Science).",
        at_least=1000.0,
        at_most=8000.0,
    )
    heavy_density_kg_m3: float = _set(
        5180.0,
        number,
        "Density of the magnetic grains, kg/m3. Magnetite (Klein and Dutrow, Manual of Mineral Science).",
        at_least=1000.0,
        at_most=8000.0,
    )
    bed_width_m: float = _set(
        0.0,
        number,
        "Width of the sandy bed where the DEM shows no banks, metres; 0 takes it from the ground that drains "
        "to each reach (2.7 m at one square kilometre; Bieger and others 2015). Measure a few places.",
        at_least=0.0,
        at_most=500.0,
    )
    streak_share: float = _set(
        0.15,
        number,
        "Share of the bed that carries a dark streak, 0 to 1. Our choice, because streaks are thin strips "
        "along "
        "bars and bends; measure a few places.",
        above=0.0,
        at_most=1.0,
    )
    depleted_share: float = _set(
        0.2,
        number,
        "A reach with less than this share of its loads left counts as depleted, 0 to 1. Our choice, because "
        "the last fifth is what a shovel leaves in corners.",
        at_least=0.0,
        at_most=1.0,
    )
    streak_log_sd: float = _set(
        0.5,
        number,
        "How far the share of streaks in one reach lies from 'streak_share', standard deviation of its "
        "logarithm: it widens what a reach is said to hold. Our choice, because one wash shows them twice as "
        "wide as the next.",
        at_least=0.0,
        at_most=2.0,
    )
    within_sd: float = _set(
        0.4,
        number,
        "How much the loads of one reach differ, standard deviation of the logarithm: the richest are dug "
        "first, so each next load brings less. Our choice, because scoops taken side by side differ by 10 to "
        "40 %, and loads along fifty metres by no less.",
        at_least=0.0,
        at_most=2.0,
    )
    found_by_eye: float = _set(
        0.5,
        number,
        "How well the eye tells richer loads from poorer ones within a reach, 0 (blind) to 1 (sees all): the "
        "richest go first only as far as they are found. Our choice, because a dark skin is seen, and what "
        "lies below it is not.",
        at_least=0.0,
        at_most=1.0,
    )
    product_purity: float = _set(
        0.9,
        number,
        "Magnetics in a cleaned product whose purity was not recorded, 0 to 1. Our choice, because two "
        "passes over a magnet leave about a tenth of sand.",
        above=0.0,
        at_most=1.0,
    )
    product_recovery: float = _set(
        0.85,
        number,
        "Share of the magnetics dug that ends up in the cleaned product, 0 to 1; from a product's weight it "
        "tells what was dug. Our choice, because each pass over a magnet loses some percent.",
        above=0.0,
        at_most=1.0,
    )
    curve_number: float = _set(
        77.0,
        number,
        "Curve number of the slopes at average wetness, 0 to 100: the higher, the more of the rain runs off. "
        "Desert shrub in poor condition on soil group B (TR-55 1986, table 2-2d); 63 on deep sand, 85 on "
        "clay loam, 88 on clay or thin soil over rock; bare rock and crusts more.",
        above=0.0,
        at_most=100.0,
    )
    bed: str = _set(
        "sand",
        choice,
        "What the beds are made of, as one sees it: 'sand', 'gravelly sand', 'gravel' or 'cobble'; median "
        "grains of 0.5, 2, 16 and 100 mm (Wentworth 1922).",
        allowed=("sand", "gravelly sand", "gravel", "cobble"),
    )
    bed_conductivity_mm_h: float = _set(
        44.0,
        number,
        "How fast the beds drink while water stands on them, mm/h: 44 for sand and gravel with little silt, "
        "80 for clean sand and gravel, 13 with much silt (Lane 1983).",
        at_least=0.0,
        at_most=1000.0,
    )
    typical_rain_h: float = _set(
        1.0,
        number,
        "How long it rained in a storm whose record does not say, hours. Our choice, because the bursts that "
        "run a dry wash last about an hour.",
        above=0.0,
        at_most=240.0,
    )
    sand_travel_m: float = _set(
        100.0,
        number,
        "How far one flood carries the sand it sets moving, metres, on the mean: it ties a dug reach to what "
        "is left upstream of it. Our choice, because marked stones in dryland floods went tens to a few "
        "hundred metres (Hassan, Church and Schick 1991).",
        above=0.0,
        at_most=100000.0,
    )
    days_to_come: int = _set(
        15,
        whole,
        "Days of digging still to come this season: a sample on the way is to pay for itself in them, and no "
        "more than 15 count, for floods change what it told. Lower it as the season ends. Our choice, "
        "because a season is longer.",
        at_least=1,
    )
    top_reaches: int = _set(
        5,
        whole,
        "How many reaches count as the top when chances are given. Our choice, because it is a day's choice.",
        at_least=1,
    )
    snap_max_m: float = _set(
        30.0,
        number,
        "Farthest that a sample may lie from a channel and still count, metres. Our choice, because it "
        "leaves "
        "room for the errors of GPS and of a DEM's channel together; those beyond are kept and reported.",
        above=0.0,
        at_most=1000.0,
    )
    typical_accuracy_m: float = _set(
        5.0,
        number,
        "Accuracy of a place whose record does not say, metres. Our choice, because a telephone under open "
        "sky "
        "is good to about that.",
        at_least=0.0,
        at_most=1000.0,
    )
    typical_mass_kg: float = _set(
        0.5,
        number,
        "Dry mass of a sample that was not weighed, kg. Our choice, because a cupful of sand is about that.",
        above=0.0,
        at_most=1000.0,
    )
    detection_grade: float = _set(
        0.002,
        number,
        "Grade that a 'trace' lies below in a sample of 'typical_mass_kg', 0 to 1; in a sample of twice the "
        "mass half of it. Our choice, because it is 1 g in half a kilogram, the "
        "least "
        "that a kitchen scale shows.",
        above=0.0,
        below=0.5,
    )
    weighing_sd_kg: float = _set(
        0.0003,
        number,
        "Standard deviation of one weighing, kg. Our choice, because rounding to 1 g has a standard "
        "deviation "
        "of 1/sqrt(12) g.",
        at_least=0.0,
        at_most=1.0,
    )
    top_grain_mm: float = _set(
        2.0,
        number,
        "Sieve size that passes 95 % of the light sand, millimetres. The upper limit of sand (Wentworth "
        "1922); "
        "sieve one sample to know.",
        above=0.0,
        at_most=100.0,
    )
    heavy_grain_mm: float = _set(
        0.5,
        number,
        "The same for the magnetics, millimetres. Our choice, because magnetite settles with quartz of 1.6 "
        "to 2 "
        "times its size (Ferguson and Church 2004).",
        above=0.0,
        at_most=100.0,
    )
    shape_factor: float = _set(
        0.5,
        number,
        "Volume of a grain over that of a cube of its sieve size (Gy 1979: 0.5 for most minerals).",
        above=0.0,
        at_most=1.0,
    )
    granulometric_factor: float = _set(
        0.25,
        number,
        "Spread of the grain sizes in Gy's formula (Gy 1979: 0.25 for a wide range, d95/d05 above 4).",
        above=0.0,
        at_most=1.0,
    )
    liberation_factor: float = _set(
        1.0,
        number,
        "Gy's liberation factor, 0 to 1: 1 for loose sand, whose grains are single minerals; else the square "
        "root of the size at which grains are free over 'top_grain_mm' (Gy 1979).",
        above=0.0,
        at_most=1.0,
    )
    splitting_sd: float = _set(
        0.0,
        number,
        "What splitting a sample down before the magnet adds to its error, relative standard deviation: 0 "
        "where the whole scoop goes over the magnet, 0.068 for coning and quartering, 0.051 for taking a "
        "scoopful, 0.010 for a chute splitter (Allen and Khan 1970, from memory).",
        at_least=0.0,
        at_most=1.0,
    )
    moisture_sd: float = _set(
        0.01,
        number,
        "Standard deviation of a recorded moisture, as a share of the wet mass. Our choice, because a "
        "moisture told by hand, or from drying a spoonful, is good to about a percent.",
        at_least=0.0,
        at_most=0.5,
    )
    volume_sd: float = _set(
        0.10,
        number,
        "Relative standard deviation of a dry mass worked out from litres. Our choice, because a porosity of "
        "0.40 give or take 0.04 makes 7 % and filling a measure level another 7 %.",
        at_least=0.0,
        at_most=1.0,
    )
    layer_sd: float = _set(
        0.8,
        number,
        "How much the parts of a hole above and below each other differ, standard deviation on the logit: "
        "it widens what a hole says of a bite that its layers cover only in part. Our choice, because a "
        "streak is a few times richer than the sand about it.",
        at_least=0.0,
        at_most=5.0,
    )
    magnetite_share: float = _set(
        0.85,
        number,
        "Share of magnetite in the mass that sticks to the magnet, 0 to 1. Our choice, because a pass over a "
        "magnet that keeps 95 % of the magnetite of a 20 % sand and drags 5 % of the rest along gives 0.83; "
        "an iron assay of your magnetics, divided by 0.724, tells better. Grades and yields are of "
        "magnetics, whatever this says.",
        above=0.0,
        below=1.0,
    )
    magnetite_share_sd: float = _set(
        0.07,
        number,
        "Standard deviation of that share: one unknown number for the whole site. Our choice, because "
        "locked grains and dragged sand leave 0.7 to 0.95 possible; an assay has an error of its own.",
        at_least=0.0,
        below=0.5,
    )
    background_grade: float = _set(
        0.05,
        number,
        "Grade of the sand that rock outside the known sources gives (washgrade ground --sources), 0 to 1; "
        "of no matter where none are told. Our choice, because it is what is thought of any wash before a "
        "sample.",
        above=0.0,
        below=1.0,
    )
    channel_area_m2: float = _set(
        0.0,
        number,
        "Ground that must drain through a place for a channel to begin, square metres; 0 lets the "
        "constant-drop "
        "test choose (Tarboton, Bras and Rodriguez-Iturbe 1991).",
        at_least=0.0,
    )
    max_reach_m: float = _set(
        50.0,
        number,
        "Longest reach, metres. Our choice, because it is a minute's walk and a few hours' digging.",
        at_least=5.0,
        at_most=10000.0,
    )
    heads: str = _set(
        "area",
        choice,
        "How channels begin: 'area' where enough ground drains to a place, 'slope-area' where area times "
        "slope squared passes a limit, as on gullied hills (Montgomery and Dietrich 1992).",
        allowed=("area", "slope-area"),
    )
    max_breach_m: float = _set(
        0.0,
        number,
        "Longest cut through a dam in the DEM (a road, a culvert, noise) before it is filled instead, "
        "metres; 0 "
        "goes by the cell size. Our choice, because a finer DEM shows more dams that are not there.",
        at_least=0.0,
        at_most=5000.0,
    )
    max_breach_depth_m: float = _set(
        0.0,
        number,
        "Deepest cut through a dam in the DEM, metres; 0 goes by the cell size, 6 m or more. Our choice, "
        "because road banks over a wash are seldom higher, while quarries and lake basins are deeper.",
        at_least=0.0,
        at_most=500.0,
    )

    bucket_litres: float = _set(
        18.927,
        number,
        "What a bucket holds, litres (five US gallons); one is filled for each carry on foot.",
        above=0.0,
        at_most=1000.0,
    )
    carry_limit_kg: float = _set(
        23.0,
        number,
        "Most that is carried or lifted at once, kg. The load constant of the NIOSH lifting equation "
        "(Waters, Putz-Anderson and Garg 1994), which is the most in the best posture; far out, twisted or "
        "from the ground it allows much less, so take less if your back says so. A full bucket of dark sand "
        "weighs more.",
        above=0.0,
        at_most=100.0,
    )
    dig_minutes: float = _set(
        1.0,
        number,
        "Time to find, skim and fill one shovel load, minutes. Our choice, because steady hand loading of "
        "loosened soil is about 0.57 m3 an hour (0.4 minutes for 4 L, handbooks), and a streak must be found "
        "and skimmed.",
        at_least=0.0,
        at_most=120.0,
    )
    unload_minutes: float = _set(
        2.0,
        number,
        "Time of each carry at the vehicle, minutes. Our choice, because one empties, ties down and drinks.",
        at_least=0.0,
        at_most=120.0,
    )
    rest_minutes: float = _set(
        10.0,
        number,
        "Rest in each hour of digging and carrying, minutes. Our choice, because shovelling is heavy "
        "work; in heat take more.",
        at_least=0.0,
        below=60.0,
    )
    tools_kg: float = _set(
        6.0,
        number,
        "Carried on each walk out, kg: shovel, bucket, water. Our choice, because that is about what "
        "they weigh.",
        at_least=0.0,
        at_most=50.0,
    )
    body_kg: float = _set(
        75.0,
        number,
        "Weight of the person who walks, kg; it tells how much a load slows (Pandolf, Givoni and Goldman "
        "1977). Our choice, because it is near the middle of adults.",
        at_least=30.0,
        at_most=250.0,
    )
    terrain_factor: float = _set(
        2.1,
        number,
        "How heavy the ground goes under foot with a load: 1 blacktop, 1.1 dirt road, 1.2 light brush, 1.5 "
        "heavy brush, 2.1 loose sand (Soule and Goldman 1972).",
        at_least=1.0,
        at_most=4.0,
    )
    barrow_kg: float = _set(
        0.0,
        number,
        "Sand in one barrow, kg; 0 for no barrow. Our choice, because not everybody has one. We advise 60: a "
        "barrow struck full, 6 cubic feet, would hold 300 kg of dark sand, which nobody pushes over a wash.",
        at_least=0.0,
        at_most=300.0,
    )
    barrow_slope: float = _set(
        0.10,
        number,
        "Steepest ground that a laden barrow is pushed over, rise per distance. Our choice, because it is a "
        "little more than the 1 in 12 of ramps.",
        above=0.0,
        at_most=0.6,
    )
    barrow_share: float = _set(
        0.5,
        number,
        "Share of the walking speed that is kept with a barrow, 0 to 1. Our choice, because of loose sand.",
        above=0.0,
        at_most=1.0,
    )
    moisture: float = _set(
        0.04,
        number,
        "Water in the sand as dug, as a share of the wet mass. Our choice, because a bed holds about that a "
        "few days after a storm; weigh a cupful before and after drying.",
        at_least=0.0,
        below=0.5,
    )
    oversize_share: float = _set(
        0.15,
        number,
        "Share of the dry sand that the screen holds back, 0 to 1. Our choice, because streaks hold some "
        "gravel and twigs; sieve one bucket to know.",
        at_least=0.0,
        below=1.0,
    )
    oversize_grade: float = _set(
        0.0,
        number,
        "Grade of what the screen holds back, 0 to 1. Our choice, because streaks are finer than the screen.",
        at_least=0.0,
        at_most=1.0,
    )
    magnet_passes: int = _set(
        2,
        whole,
        "Passes over the magnets; what a later one rejects goes round again. Two give better than 90 % "
        "(common practice, no source).",
        at_least=1,
    )
    first_pass_magnetics_share: float = _set(
        0.99,
        number,
        "Share of the magnetics that the first pass takes, 0 to 1. Nearly all are caught at once (common "
        "practice, no source); fit your own with washgrade cleanup --weighings.",
        above=0.0,
        at_most=1.0,
    )
    first_pass_rest_share: float = _set(
        0.05,
        number,
        "Share of all else that the first pass drags along, 0 to 1. Our choice, because with it two passes "
        "meet the facts of the trade; fit your own.",
        at_least=0.0,
        at_most=1.0,
    )
    later_pass_magnetics_share: float = _set(
        0.95,
        number,
        "Share of the magnetics that each later pass takes, 0 to 1. Our choice, because what it rejects then "
        "holds about 30 % (common practice, no source).",
        above=0.0,
        at_most=1.0,
    )
    later_pass_rest_share: float = _set(
        0.41,
        number,
        "Share of all else that each later pass drags along, 0 to 1. Our choice, because of the same fact.",
        at_least=0.0,
        at_most=1.0,
    )
    magnet_minutes: float = _set(
        8.0,
        number,
        "Time of one bucket over the magnets, minutes: about 8 on a large station, 30 on a small one (common "
        "practice, no source).",
        at_least=0.0,
        at_most=600.0,
    )
    screen_minutes: float = _set(
        2.0,
        number,
        "Time of one bucket over the screen, minutes. Our choice, because dry sand runs through at once.",
        at_least=0.0,
        at_most=600.0,
    )
    spread_minutes: float = _set(
        3.0,
        number,
        "Time to spread one bucket to dry and gather it again, minutes. Our choice, because it is raked "
        "once.",
        at_least=0.0,
        at_most=600.0,
    )
    dry_bulk_kg_m3: float = _set(
        1750.0,
        number,
        "Mass of a cubic metre of dry feed, kg. Our choice, because sand with 20 % of magnetics and 40 % "
        "air weighs so.",
        at_least=500.0,
        at_most=5000.0,
    )
    product_bulk_kg_m3: float = _set(
        2400.0,
        number,
        "Mass of a cubic metre of cleaned sand, kg: 20 lb to the US gallon (common practice, no source).",
        at_least=500.0,
        at_most=5000.0,
    )
    floor_m2: float = _set(
        6.0,
        number,
        "Drying floor, square metres. Our choice, because a tarpaulin is 2 m by 3 m.",
        above=0.0,
        at_most=10000.0,
    )
    spread_depth_m: float = _set(
        0.03,
        number,
        "How thick the sand lies on the drying floor, metres. Our choice, because a rake turns that much.",
        above=0.0,
        at_most=1.0,
    )
    evaporation_mm_day: float = _set(
        8.0,
        number,
        "What an open pan loses in a day, millimetres. Our choice, because a dry warm day does so; see "
        "the local figures.",
        above=0.0,
        at_most=30.0,
    )
    pan_factor: float = _set(
        0.7,
        number,
        "Loss of wet sand over that of the pan. The customary pan coefficient (FAO Irrigation and Drainage "
        "Paper 56, chapter 4).",
        above=0.0,
        at_most=1.5,
    )
    container_litres: float = _set(
        64.352,
        number,
        "Size of a container of product, litres (seventeen US gallons).",
        above=0.0,
        at_most=10000.0,
    )

    def __post_init__(self) -> None:
        for entry in fields(self):
            checked = _checked(entry, getattr(self, entry.name), where="")
            object.__setattr__(self, entry.name, checked)
        if self.heavy_density_kg_m3 <= self.light_density_kg_m3:
            raise InputError(
                f"Invalid 'heavy_density_kg_m3' of {self.heavy_density_kg_m3!r}. It must be above "
                f"'light_density_kg_m3' of {self.light_density_kg_m3!r}."
            )
        for name in ("first_pass", "later_pass"):
            magnetics, rest = getattr(self, f"{name}_magnetics_share"), getattr(self, f"{name}_rest_share")
            if rest >= magnetics:
                raise InputError(
                    f"Invalid '{name}_rest_share' of {rest!r}. It must be below '{name}_magnetics_share' of "
                    f"{magnetics!r}: a magnet takes more of the magnetics."
                )

    @property
    def sampling(self) -> SamplingSettings:
        """How samples are taken and weighed."""
        from washgrade.sand.layers import SamplingSettings

        return SamplingSettings(**self._for(SamplingSettings))

    @property
    def purity(self) -> Purity:
        """How much of the magnetics is magnetite."""
        from washgrade.sand.purity import Purity

        return Purity(**self._for(Purity))

    @property
    def shovel(self) -> Shovel:
        """What a load is made of."""
        from washgrade.dig.load import Shovel

        return Shovel(**self._for(Shovel))

    @property
    def streak(self) -> StreakRule:
        """How much of a bed is streak."""
        from washgrade.dig.stock import StreakRule

        return StreakRule(**self._for(StreakRule))

    @property
    def haul(self) -> HaulRule:
        """How sand is dug and carried."""
        from washgrade.dig.haul import HaulRule

        return HaulRule(**self._for(HaulRule))

    @property
    def cleanup(self) -> CleanupRule:
        """How it is cleaned."""
        from washgrade.dig.cleanup import CleanupRule, MagnetPass

        shares = {
            name: MagnetPass(
                magnetics_share=getattr(self, f"{name}_pass_magnetics_share"),
                rest_share=getattr(self, f"{name}_pass_rest_share"),
            )
            for name in ("first", "later")
        }
        passes = (shares["first"], *[shares["later"]] * (self.magnet_passes - 1))
        plain = {
            entry.name: getattr(self, entry.name) for entry in fields(CleanupRule) if entry.name != "passes"
        }
        return CleanupRule(passes=passes, **plain)

    def _for(self, model: Any) -> dict[str, Any]:
        # A model's settings carry the same names as the table's.
        return {entry.name: getattr(self, entry.name) for entry in fields(model)}


def settings_text(settings: Settings | None = None) -> str:
    """Write settings as commented TOML.

    Parameters
    ----------
    settings : Settings, optional
        The values; the defaults if left out.

    Returns
    -------
    str
        Text of a ``site.toml``.

    Examples
    --------
    >>> print(settings_text().splitlines()[0])
    # Settings of this site. SI units; a line taken out goes back to its default.
    """
    import textwrap

    settings = settings or Settings()
    blocks = ["# Settings of this site. SI units; a line taken out goes back to its default.\n"]
    for entry in fields(Settings):
        words = f"{entry.metadata['words']} Default {_toml(entry.default)}."
        comment = "\n".join(f"# {line}" for line in textwrap.wrap(words, 96))
        blocks.append(f"{comment}\n{entry.name} = {_toml(getattr(settings, entry.name))}\n")
    return "\n".join(blocks)


def changed_text(text: str, changes: Mapping[str, Any]) -> str:
    r"""Change values in the text of a ``site.toml`` and leave everything else as it stands.

    Parameters
    ----------
    text : str
        What stands there.
    changes : mapping of str to object
        New values by the names of settings.

    Returns
    -------
    str
        The new text; a setting that had no line gets one at the end.

    Examples
    --------
    >>> print(changed_text("# mine\nbite_m = 0.1  # a hand\n", {"bite_m": 0.07, "units": "us"}))
    # mine
    bite_m = 0.07  # a hand
    units = "us"
    <BLANKLINE>
    """
    for name, value in changes.items():
        line = re.compile(rf"^(\s*{re.escape(name)}\s*=\s*)(\"[^\"]*\"|'[^']*'|[^#\s]+)", re.MULTILINE)
        found = line.search(text)
        if found:
            text = f"{text[: found.start(2)]}{_toml(value)}{text[found.end(2) :]}"
        else:
            text = f"{text.rstrip()}\n{name} = {_toml(value)}\n"
    return text


def read_settings(path: Path) -> Settings:
    """Read the settings of a site.

    Parameters
    ----------
    path : Path
        The ``site.toml``.

    Returns
    -------
    Settings
        What stands there, defaults for the rest.

    Raises
    ------
    InputError
        If it is no TOML, has an unknown name, or a value outside its limits; every fault in one report.
    SiteError
        If it cannot be read.
    """
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise SiteError(
            f"{path.name} is missing from {path.parent}. An empty one stands for the defaults."
        ) from None
    except OSError as error:
        raise SiteError(f"{path.name} cannot be read ({error.strerror}).") from None
    except UnicodeDecodeError:
        raise InputError(f"{path.name}: The file is no UTF-8 text. Save it as UTF-8.") from None
    except tomllib.TOMLDecodeError as error:
        raise InputError(
            f"{path.name}: The file is no TOML: {str(error)[0].lower()}{str(error)[1:]}."
        ) from None
    values, faults = _judged(content, path.name)
    if not faults:
        try:
            return Settings(**values)
        except InputError as error:
            faults.append(f"{path.name}: {error}")
    raise InputError("\n".join(faults))


def _judged(content: Mapping[str, object], where: str) -> tuple[dict[str, Any], list[str]]:
    known = {entry.name: entry for entry in fields(Settings)}
    values: dict[str, Any] = {}
    faults = []
    for name, value in content.items():
        if name not in known:
            like = nearest(name, known)
            hint = f"Did you mean '{like}'?" if like else "The names there are stand in a fresh site.toml."
            faults.append(f"{where}: Unknown setting '{name}'. {hint}")
            continue
        try:
            values[name] = _checked(known[name], value, where=where)
        except InputError as error:
            faults.append(str(error))
    return values, faults


def _checked(entry: Any, value: object, *, where: str) -> Any:
    limits = dict(entry.metadata["limits"])
    if entry.metadata["check"] is choice:
        return choice(entry.name, value, limits["allowed"], where=where)
    if isinstance(value, str):
        place = f"{where}: " if where else ""
        raise InputError(
            f"{place}Invalid '{entry.name}' of {value!r}. It must be a number, without quotation marks."
        )
    return entry.metadata["check"](entry.name, value, where=where, **limits)


def _toml(value: object) -> str:
    return f'"{value}"' if isinstance(value, str) else repr(value)
