"""Colours hold for colour-blind people, and text can be read."""

import itertools

import numpy as np
import pytest

from pipeline.report.quality import DAY_STATES
from pipeline.report.style import COLOURS, KINDS

# Machado, Oliveira and Fernandes, A Physiologically-based Model for Simulation of Color Vision
# Deficiency, IEEE TVCG 15(6), 2009, matrices for severity 1.0; from memory.
DEFICIENCIES = {
    "protan": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deutan": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritan": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}


def linear(colour):
    """Linear RGB of a colour (IEC 61966-2-1)."""
    rgb = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0
    return np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)


def lab(rgb):
    """CIELAB for D65 (ISO/CIE 11664-4) of linear RGB."""
    matrix = np.array(
        [
            [0.4124, 0.3576, 0.1805],
            [0.2126, 0.7152, 0.0722],
            [0.0193, 0.1192, 0.9505],
        ]
    )
    xyz = matrix @ np.clip(rgb, 0, 1) / np.array([0.9505, 1.0, 1.089])
    f = np.where(xyz > 216 / 24389, np.cbrt(xyz), (24389 / 27 * xyz + 16) / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def contrast(a, b):
    """Contrast ratio of WCAG 2.2."""
    weights = np.array([0.2126, 0.7152, 0.0722])
    bright, dark = sorted((float(weights @ linear(c)) for c in (a, b)), reverse=True)
    return (bright + 0.05) / (dark + 0.05)


def test_contrast_formula():
    """WCAG 2.2: black on white is 21 to 1."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)


@pytest.mark.parametrize("name", ["ink", "quiet", "measured", "modelled", "level_only", "loss"])
def test_text_and_marks_stand_out_from_paper(name):
    """WCAG 2.2: 4.5 to 1 for text (1.4.3), which is above the 3 to 1 for marks (1.4.11)."""
    needed = 3.0 if name == "modelled" else 4.5
    assert contrast(COLOURS[name], COLOURS["paper"]) >= needed


@pytest.mark.parametrize("deficiency", DEFICIENCIES)
def test_kinds_keep_their_distance(deficiency):
    """CIE 1976 difference of 20 and more, ten times what is just seen (2.3, from memory)."""
    seen = {
        k.name: lab(np.array(DEFICIENCIES[deficiency]) @ linear(k.colour)) for k in KINDS.values()
    }
    for a, b in itertools.combinations(seen.values(), 2):
        assert np.linalg.norm(a - b) >= 20.0


@pytest.mark.parametrize("deficiency", DEFICIENCIES)
def test_days_get_darker_as_they_get_worse(deficiency):
    """Order of lightness tells the states apart without any hue; orange stands apart."""
    states = {
        n: lab(np.array(DEFICIENCIES[deficiency]) @ linear(c)) for n, (c, _) in DAY_STATES.items()
    }
    light = [
        states[n][0] for n in ("no samples", "complete", "gaps", "mostly missing", "bad samples")
    ]
    assert all(a - b >= 8.0 for a, b in itertools.pairwise(light))
    apart = states.pop("gauge not believed")
    assert min(np.linalg.norm(apart - other) for other in states.values()) >= 20.0
