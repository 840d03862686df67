"""The priors of the elastic ratios, against the woods of table 5-1 of the Wood Handbook (FPL-GTR-282).

The table is from memory and was not looked up again: E_T, E_R, G_LR, G_LT and G_RT over E_L, then nu_LR.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from tapbatch.wood import priors

WOODS = """
white ash .080 .125 .109 .077 - .371
balsa .015 .046 .054 .037 .005 .229
basswood .027 .066 .056 .046 - .364
yellow birch .050 .078 .074 .068 .017 .426
black cherry .086 .197 .147 .097 - .392
eastern cottonwood .047 .083 .076 .052 - .344
african mahogany .050 .111 .088 .059 .021 .297
honduras mahogany .064 .107 .066 .086 .028 .314
sugar maple .065 .132 .111 .063 - .424
red maple .067 .140 .133 .074 - .434
red oak .082 .154 .089 .081 - .350
white oak .072 .163 .086 - - .369
sweetgum .050 .115 .089 .061 .021 .325
black walnut .056 .106 .085 .062 .021 .495
yellow-poplar .043 .092 .075 .069 .011 .318
baldcypress .039 .084 .063 .054 .007 .338
northern white cedar .081 .183 .210 .187 .015 .337
western redcedar .055 .081 .087 .086 .005 .378
douglas-fir .050 .068 .064 .078 .007 .292
subalpine fir .039 .102 .070 .058 .006 .341
western hemlock .031 .058 .038 .032 .003 .485
western larch .065 .079 .063 .069 .007 .355
loblolly pine .078 .113 .082 .081 .013 .328
lodgepole pine .068 .102 .049 .046 .005 .316
longleaf pine .055 .102 .071 .060 .012 .332
pond pine .041 .071 .050 .045 .009 .280
ponderosa pine .083 .122 .138 .115 .017 .337
red pine .044 .088 .096 .081 .011 .347
slash pine .045 .074 .055 .053 .010 .392
sugar pine .087 .131 .124 .113 .019 .356
western white pine .038 .078 .052 .048 .005 .329
redwood .089 .087 .066 .077 .011 .360
sitka spruce .043 .078 .064 .061 .003 .372
engelmann spruce .059 .128 .124 .120 .010 .422
"""
RATIOS = np.array(
    [[float(c) if c != "-" else math.nan for c in line.split()[-6:]] for line in WOODS.split("\n") if line]
)
_, ACROSS, TWIST, THICK_ALONG, THICK_ACROSS, POISSON = RATIOS.T


@pytest.mark.parametrize(
    ("ratios", "prior", "scatter"),
    [
        (np.log(ACROSS), priors.ACROSS, 0.33),
        (np.log(TWIST), priors.TWIST, 0.37),
        (np.log(THICK_ALONG / TWIST), priors.THICK_ALONG, 0.20),
        (np.log(THICK_ACROSS / ACROSS), priors.THICK_ACROSS, 0.49),
        (POISSON, priors.POISSON, 0.055),
    ],
    ids=["across", "twist", "shear along", "shear across", "poisson"],
)
def test_a_prior_is_about_the_mean_of_the_woods_and_as_wide(
    ratios: np.ndarray, prior: priors.Prior, scatter: float
) -> None:
    """The mean within a fifth of the scatter; the prior may be narrower by a seventh (twist), else it is wider."""
    known = ratios[np.isfinite(ratios)]
    assert known.std(ddof=1) == pytest.approx(scatter, rel=0.02)
    assert prior.mean == pytest.approx(known.mean(), abs=scatter / 5.0)
    assert prior.sd > (6.0 / 7.0 if prior is priors.TWIST else 1.0) * scatter
