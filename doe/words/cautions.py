"""The cautions that stand on everything printed. One place, so that every page says the same.

Sources: general workshop practice for hot presses, ovens and plastic powder (trade and agency pages, secondary);
no seconds-to-burn table is given on purpose.
"""

from __future__ import annotations

FIXED_WORDING = (
    "Decision aid only. Follow the makers' data sheets and safety data sheets, machine manual, local law and codes. "
    "A trained person decides. Not a certificate of conformity."
)

CAUTIONS = (
    "Hot: platen, oven, film, cloth and zips burn at a touch, also after opening. Use gloves or a tool. Never leave "
    "film in an oven or a closed press unattended; an extinguisher within reach.",
    "Protection: eye protection, gloves, and a mask as the safety data sheets of powder and ink say. Asthma, or "
    "sensitised to isocyanates: ask a doctor first.",
    "Fumes: local extraction on at oven and press. Stop at smoke or a sharp smell. Never set anything at or above "
    "200 °C (392 °F), nor above the lowest limit of the data sheets.",
    "Powder dust can irritate and, as a cloud, burn: no open flame, no blowing down with air, earthed shaker, rated "
    "vacuum, clean often.",
    "Machine: platens pinch. Isolate and lock out before reaching in or mending; never bypass a guard or a "
    "two-hand control.",
    "The makers' data sheets and safety data sheets come first. Electrical, gas and ventilation work belongs to "
    "licensed people under local codes.",
)

HOVERING = (
    "Curing under a raised press: its own stop or a locked support holds it open, never a hand or a loose block, and "
    "no hand goes under it. It heats unevenly: the limits hold for the hottest place of the film; keep to one place "
    "and turn the film halfway."
)
"""Where the gap under a raised press is a setting (common practice, no source)."""

SPECIAL_GOODS = "Children's wear, protective, medical or flame-rated textiles need their own rules."

FOOTER = "Decision aid only. Burns at a touch. Extraction on. Data sheets and local codes come first."
"""Short enough for the foot of every printed page."""

NOT_CHECKED = "display not checked"
"""Said beside every dial setting that no reading stands behind."""

ON_SURFACE = "on the surface"
"""What a temperature that is typed for a range is; its dial is worked out from the readings of the gauges."""

EQUAL = "= dial"
"""Said of a surface that no reading tells."""
