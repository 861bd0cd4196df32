"""What people call things: words in names that speak for or against a role, and units at a name's end.

Common practice, no source. A word alone never decides: see `scans.formats.roles`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from scans.formats.units import ENERGIES_EV, LENGTHS_M, TIMES_S, normalise_unit

UNITS = {*LENGTHS_M, *ENERGIES_EV, *TIMES_S}
# One letter is a unit only at the end of a name, in this case.
SHORT_UNITS = {"m": "m", "s": "s", "A": "angstrom", "J": "J"}
# Names that say nothing: the group's name is taken.
GENERIC = {"value", "values", "val", "data", "readback", "reading"}
# Roles that the name of the group alone can tell.
BY_GROUP = {"frames", "mask", "dark", "flat", "monitor", "positions"}
# How much the name of the group adds to what the name alone says.
GROUP_SHARE = 0.8


@dataclass(frozen=True)
class Name:
    """A path taken apart.

    Parameters
    ----------
    own
        The last part in lower case, words joined by ``_``, its unit taken off.
    group
        The two parts before it, likewise.
    unit
        Unit that the name ends with, or None.
    """

    own: str
    group: str
    unit: str | None

    @property
    def full(self) -> str:
        """Group and own name in one."""
        return f"{self.group}_{self.own}".strip("_")


def name_of(path: str) -> Name:
    """Take the path of an item apart."""
    parts = [part for part in re.split(r"[/@:\\]", path) if part]
    while len(parts) > 1 and parts[-1].lower() in GENERIC:
        parts.pop()
    own, unit = _without_unit(parts[-1] if parts else "")
    return Name(_joined(own), "_".join(_joined(p) for p in parts[-3:-1]), unit)


def _without_unit(text: str) -> tuple[str, str | None]:
    """Split the last unit off a name."""
    tokens = [t for t in re.split(r"[\W_]+", text) if t]
    for index in range(len(tokens) - 1, 0, -1):
        token = tokens[index]
        unit = SHORT_UNITS.get(token) if index == len(tokens) - 1 else None
        if len(token) > 1 and normalise_unit(token) in UNITS:
            unit = normalise_unit(token)
        if unit:
            return "_".join(tokens[:index] + tokens[index + 1 :]), unit
    return "_".join(tokens), None


def _joined(text: str) -> str:
    """Lower case with ``_`` between words: ``stageX`` and ``stage-x`` become ``stage_x``."""
    apart = re.sub(r"(?<=[a-z0-9])(?=[A-Z])", "_", text)
    return "_".join(t for t in re.split(r"[\W_]+", apart.lower()) if t)


def _words(text: str) -> str:
    """Pattern for whole words."""
    return rf"(?:^|_)(?:{text})(?:_|\d|$)"


# role -> (pattern, weight): 2 and more for a word that hardly means anything else, 1 for a hint.
FOR: dict[str, tuple[tuple[str, float], ...]] = {
    "frames": (
        (r"frames|stack|pattern|diffr|ccd|camera|detector|speckle|images?|imgs?(?:_|$)|exposures", 2.0),
        (_words("data|raw|det|cam|cube|counts"), 1.0),
    ),
    "energy": (
        (r"(photon|x_?ray|beam|incident|mono)_?(energy|en(?:_|$))|energy_?photon", 2.5),
        (_words("energy|nrj|energies"), 2.0),
        (_words("e|en|ene|hv|e_?ph|ephoton|photon"), 1.5),
    ),
    "wavelength": ((r"wave_?len|lambda", 2.5), (_words("wl|lam"), 1.5)),
    "distance": (
        (r"distance|camera_?length|(det\w*|sample|ccd|cam\w*)_?dist", 2.5),
        (_words("dist|sdd|det\\w*_?z|ccd_?z|z_?det|z_?ccd|cam_?z|sample_det\\w*"), 2.0),
        (_words("l|z|length"), 1.0),
    ),
    "pixel_size": (
        (r"pix\w*_?(size|pitch|width|height)|px_?size|pitch|(det|ccd|cam)\w*_?pixel", 2.5),
        (_words("pixels?|pix|psize|px|cell"), 1.5),
    ),
    "exposure": (
        (r"exposure|dwell|count_?time|acq\w*_?time|integration|shutter_?time|frame_?time", 2.5),
        (_words("exp|t_?exp|acq|acquire|int_?time|t_?int"), 1.5),
    ),
    "counts_per_photon": ((r"(adu|counts?|dn|lsb)_?(per|/|_)_?(ph|photon|x_?ray)", 3.0), (_words("gain"), 1.0)),
    "saturation": (
        (r"satur|full_?scale|full_?well|overflow|max_?(adu|counts?|val)|adc_?max|clip", 2.5),
        (_words("sat|fs|ceiling"), 1.5),
    ),
    "beam_centre": (
        (r"beam_?(cent|pos|xy|yx|rc|cr|px|pix)|direct_?beam|zero_?order|cent(re|er)", 2.0),
        (_words("bc|cen|ctr|org|origin|beam"), 1.0),
    ),
    "zone_plate_diameter": ((r"(zp|zone|plate|lens|optic)\w*_?(diam|size)", 2.5), (_words("zpd|diameter"), 1.0)),
    "outer_zone": ((r"outer\w*_?zone|outermost|zone_?width|finest_?zone", 2.5), (_words("drn|dr_n|dr"), 1.5)),
    "stop_fraction": ((r"(stop|obstruct|cs)\w*_?(frac|ratio|rel)", 2.5),),
    "stop_diameter": ((r"(central_?stop|zp_?stop|stop)_?(diam|size)", 2.5),),
    "defocus": ((r"defoc|out_?of_?focus", 2.5),),
    "mask": (
        (r"mask|bad_?pix|bpm|dead_?pix|hot_?pix|pix\w*_?(status|flag)|valid|good_?pix", 2.0),
        (_words("bad|dead|hot|good"), 1.5),
    ),
    "dark": ((r"dark|pedestal|backgr", 2.0), (_words("bg|bkg|bgnd|bias|offsets?|drk"), 1.5)),
    "flat": ((r"flat|white|gain_?map|response", 2.0), (_words("ff|wf"), 1.5)),
    "monitor": (
        (_words("i_?0|izero|i_?zero|io"), 2.5),
        (r"monitor|ion_?chamber|incident_?(flux|int)|flux|normal", 2.0),
        (r"ring|(sr|beam|storage|machine)_?curr|" + _words("mon|ic|diode|pd|current"), 1.5),
    ),
    "positions": (
        (r"pos|coord|translation|stage|piezo|motor|" + _words("xy|yx|encoders?|enc|trajectory"), 2.0),
        (r"scan|sample|sam(?:_|$)|interf|galvo|" + _words("h|axes|readback"), 1.0),
    ),
}

_OTHER_THINGS = r"temper|humid|pressure|thumb|preview|fluo|xrf|mca|spectr|recon|error|sigma|serial|histor|" + _words(
    "temps?|versions?|id"
)
AGAINST: dict[str, str] = {
    "frames": _OTHER_THINGS
    + r"|dark|flat|white|backgr|mask|average|visible|video|microscope|overview|webcam|"
    + _words("bg|bkg|mean|sum|avg|weights?|bad|rgb|rgba|vlm|roi"),
    "energy": _OTHER_THINGS
    + r"|thresh|ring|storage|electron|gap|calib|channel|spread|width|resol|cut_?off|edge|"
    + _words("min|max|offset|axis|loss|step|start|stop"),
    "wavelength": _OTHER_THINGS + "|laser|" + _words("min|max|step"),
    "distance": _OTHER_THINGS
    + r"|source|foc|osa|slit|mirror|zp|zone|step|travel|working|undul|gap|pix|wave|grating|mono|lens|apert|pinhole|"
    + r"coher|"
    + _words("roll|min|max|stop|start|offset|scan"),
    "pixel_size": _OTHER_THINGS
    + r"|bad|mask|hot|dead|object|scan|stage|motor|tilt|roll|yaw|"
    + _words("n|num|count|bin"),
    "exposure": _OTHER_THINGS + r"|read_?out|period|delay|stamp|compens|" + _words("start|end|n|num|bias"),
    "counts_per_photon": _OTHER_THINGS + "|map|mode",
    "saturation": _OTHER_THINGS,
    "beam_centre": _OTHER_THINGS + r"|stage|motor|energy|curr|flux|size|bpm|stop|scan|roi",
    "zone_plate_diameter": r"stop|pinhole|osa|aperture|outer\w*_?zone",
    "outer_zone": _OTHER_THINGS,
    "stop_fraction": r"beam_?stop",
    "stop_diameter": r"beam_?stop",
    "defocus": _OTHER_THINGS,
    "mask": r"recon|object|roi",
    "dark": r"thresh|recon|object",
    "flat": r"recon|object",
    "monitor": _OTHER_THINGS + r"|time|energy|pos|stage|piezo|motor|volt|bpm|gap|" + _words("x|y|z"),
    "positions": _OTHER_THINGS
    + r"|beam|bpm|slit|mirror|tilt|time|stamp|lag|follow|curr|"
    + _words("err|det|detector|ccd|camera|osa|zp"),
}


# What a group may be named that holds other things of the same kind.
_OTHER_GROUPS = _OTHER_THINGS + r"|undul|storage|osa|slit|mirror|visible|video|overview|webcam|" + _words("ring|vlm")
AGAINST_GROUP: dict[str, str] = {
    "frames": _OTHER_GROUPS + r"|dark|flat|white|backgr|microscope|" + _words("bg|bkg"),
    "distance": _OTHER_GROUPS + r"|source|zone|lens|optic|mono|" + _words("zp"),
    "pixel_size": _OTHER_GROUPS + "|object|microscope",
    "zone_plate_diameter": r"stop|pinhole|osa|aperture",
    "monitor": _OTHER_THINGS + "|undul|slit|mirror|visible|video",
}


def word_score(role: str, name: Name) -> tuple[float, str]:
    """How strongly a name speaks for a role, and the words that do so; below 0 where it names something else."""
    if re.search(AGAINST[role], name.own) or re.search(AGAINST_GROUP.get(role, _OTHER_GROUPS), name.full):
        return -1.0, ""
    best = (0.0, "")
    for pattern, weight in FOR[role]:
        for text, share in ((name.own, 1.0), (name.full, GROUP_SHARE)):
            match = re.search(pattern, text)
            if match and share < 1 and role not in BY_GROUP and match.end() <= len(name.group):
                continue
            if match and weight * share > best[0]:
                best = weight * share, match[0].strip("_")
    return best


_BEFORE = r"h|s|p|st|stage|pos|position|motor|mot|piezo|pz|pzt|sam|sample|scan|fine|coarse|galvo|nano|enc|t|trans|probe"
_AFTER = r"pos|position|positions|stage|enc|encoder|piezo|scan|coord|coords|motor|axis|read|rbv|set|s"
_LONG = {"horizontal": "x", "horiz": "x", "hor": "x", "vertical": "y", "vert": "y", "ver": "y", "row": "y", "rows": "y"}
_LONG |= {"column": "x", "columns": "x", "col": "x", "cols": "x"}


def axis_of(own: str) -> tuple[str, str] | None:
    """Axis ("x", "y" or "z") that a name tells and the name without it; None where it tells none.

    ``hx``, ``stage_x``, ``xpos`` and ``horizontal`` are x; two names with one rest are a pair.
    """
    tokens = own.split("_")
    for index, token in enumerate(tokens):
        rest = None
        if token in ("x", "y", "z"):
            axis, rest = token, "*"
        elif token in _LONG:
            axis, rest = _LONG[token], "*"
        elif match := re.fullmatch(rf"({_BEFORE})([xyz])", token):
            axis, rest = match[2], f"{match[1]}*"
        elif match := re.fullmatch(rf"([xyz])({_AFTER})", token):
            axis, rest = match[1], f"*{match[2]}"
        if rest is not None:
            return axis, "_".join([*tokens[:index], rest, *tokens[index + 1 :]])
    return None


def order_of_two(own: str, labels: str = "") -> tuple[str, str] | None:
    """Order of two numbers, "yx" or "xy", and the word that says so; None where neither name nor labels do."""
    spelled = re.sub(r"[^a-z]+", "_", labels.lower()).strip("_")
    axes = [axis_of(word.strip().lower().replace(" ", "_")) for word in re.split(r"[,;:|]", labels)]
    told = "".join(axis[0] for axis in axes if axis is not None)
    if told[:2] in ("yx", "xy"):
        return told[:2], f"columns labelled {labels!r}"
    for text, what in ((spelled, "labels"), (own, "name")):
        if re.search(r"(?:^|_)(yx|rc|row_?col\w*|slow_?fast|y_x|v_?h|y_(?:\w+_)?x)(?:_|$)", text):
            return "yx", f"{what} {labels or own!r}: rows first"
        if re.search(r"(?:^|_)(xy|cr|col\w*_?row|fast_?slow|x_y|h_?v|x_(?:\w+_)?y|xyz)(?:_|$)", text):
            return "xy", f"{what} {labels or own!r}: columns first"
    return None
