"""Settings: written, read back, and every wrong one said."""

import re
from dataclasses import fields, replace

import pytest

from washgrade.dig.choose import DAYS_AHEAD
from washgrade.dig.cleanup import CleanupRule, MagnetPass
from washgrade.dig.haul import HaulRule
from washgrade.dig.load import Shovel
from washgrade.dig.returns import FOUND_BY_EYE
from washgrade.dig.stock import StreakRule
from washgrade.errors import InputError, SiteError
from washgrade.files.settings import Settings, read_settings, settings_text
from washgrade.files.site import make_site
from washgrade.sand.layers import SamplingSettings
from washgrade.sand.priors import Priors


def read(tmp_path, text):
    path = tmp_path / "site.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_settings(path)


def test_what_is_written_is_read_back(tmp_path):
    settings = replace(Settings(), units="us", shovel_litres=3.5, channel_area_m2=25000.0, top_reaches=7)
    assert read(tmp_path, settings_text(settings)) == settings
    assert read(tmp_path, settings_text()) == Settings()
    assert read(tmp_path, "") == Settings()


def test_every_setting_has_its_words_and_says_where_its_default_comes_from():
    for entry in fields(Settings):
        words = entry.metadata["words"]
        assert words.endswith(".")
        sourced = re.search(r"Our choice, because|\(\w.*\)|handbook|\d{4}|'metric'", words)
        assert sourced, entry.name
        assert f"\n{entry.name} = " in settings_text()


def test_the_models_get_their_settings_and_the_table_has_their_defaults():
    assert Settings().sampling == SamplingSettings()
    assert Settings().shovel == Shovel()
    assert Settings().streak == StreakRule()
    assert Settings().haul == HaulRule()
    assert Settings().cleanup == CleanupRule()
    assert Settings().background_grade == Priors().grade
    assert Settings().found_by_eye == FOUND_BY_EYE
    assert Settings().days_to_come == DAYS_AHEAD
    changed = Settings(bite_m=0.2, top_grain_mm=4.0, porosity=0.3)
    assert changed.sampling == SamplingSettings(bite_m=0.2, top_grain_mm=4.0)
    assert changed.shovel == Shovel(porosity=0.3)
    assert changed.streak == StreakRule(bite_m=0.2)
    assert Settings(barrow_kg=60.0).haul == HaulRule(barrow_kg=60.0)
    one_pass = Settings(magnet_passes=1, first_pass_rest_share=0.1).cleanup.passes
    assert one_pass == (MagnetPass(magnetics_share=0.99, rest_share=0.1),)


def test_a_new_site_gets_its_file_and_an_old_one_keeps_it(tmp_path):
    site = make_site(tmp_path / "site", Settings(bite_m=0.15))
    assert site.settings.bite_m == 0.15
    make_site(tmp_path / "site")
    assert site.settings.bite_m == 0.15


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            "shovel_litres = 0.0",
            "site.toml: Invalid 'shovel_litres' of 0.0. It must be a finite number above 0 and of at most "
            "50.",
        ),
        ("shovel_liters = 4", "site.toml: Unknown setting 'shovel_liters'. Did you mean 'shovel_litres'?"),
        ("qwx = 4", "site.toml: Unknown setting 'qwx'. The names there are stand in a fresh site.toml."),
        ("units = 'feet'", "site.toml: Invalid 'units' of 'feet'. It must be one of 'us', 'metric'."),
        (
            "bite_m = '0.1'",
            "site.toml: Invalid 'bite_m' of '0.1'. It must be a number, without quotation marks.",
        ),
        (
            "top_reaches = 0",
            "site.toml: Invalid 'top_reaches' of 0. It must be a whole number of at least 1.",
        ),
        (
            "heavy_density_kg_m3 = 2000",
            "site.toml: Invalid 'heavy_density_kg_m3' of 2000.0. It must be above 'light_density_kg_m3' of "
            "2650.0.",
        ),
        (
            "bite_m = 0.1\nporosity =\n",
            "site.toml: The file is no TOML: invalid value (at line 2, column 11).",
        ),
        (b"# \xff", "site.toml: The file is no UTF-8 text. Save it as UTF-8."),
        (
            "porosity = 2\ncutof_grade = 0.1",
            "site.toml: Invalid 'porosity' of 2. It must be a finite number above 0 and below 1.\n"
            "site.toml: Unknown setting 'cutof_grade'. Did you mean 'cutoff_grade'?",
        ),
    ],
)
def test_a_wrong_file_is_said(tmp_path, text, sentence):
    with pytest.raises(InputError, match=f"^{re.escape(sentence)}$"):
        read(tmp_path, text)


def test_a_missing_file_is_said(tmp_path):
    sentence = f"site.toml is missing from {tmp_path}. An empty one stands for the defaults."
    with pytest.raises(SiteError, match=f"^{re.escape(sentence)}$"):
        read_settings(tmp_path / "site.toml")
