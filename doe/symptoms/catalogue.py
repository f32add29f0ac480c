"""The 26 symptoms as data: what is seen, what it points to, what to look at first, what then helps.

Pointers marked `TRADE_PAGES` stand on trade pages (secondary); all others, every sureness and every order are
common practice, no source. The makers' data sheets always win.
"""

from __future__ import annotations

from doe.symptoms.kinds import TRADE_PAGES, Cause, Pointer, Sureness, Symptom

P = Pointer  # short in the long table below


def _cause(pointer: Pointer, sure: Sureness, *, trade: bool = False, detail: str = "") -> Cause:
    return Cause(pointer, sure, detail, TRADE_PAGES) if trade else Cause(pointer, sure, detail)


_GAUGE_FIRST = "Measure the real temperature with a gauge before touching the settings."

CATALOGUE: tuple[Symptom, ...] = (
    Symptom(
        "edge_haze", "edge haze", "specks or a haze of adhesive around the image", "after cure",
        (_cause(P.POWDER_UNEVEN, "strong", trade=True, detail="static in dry air"),
         _cause(P.MOISTURE, "medium", trade=True), _cause(P.INK, "medium", trade=True, detail="ink too wet")),
        "Look at the film before cure, and read the room humidity.",
        "Shake off better, earth the shaker, bring the room back to its usual humidity. Leave the heat alone.",
    ),
    Symptom(
        "no_transfer", "no transfer", "the image stays on the film", "at peel",
        (_cause(P.PRESS_UNDER, "medium"), _cause(P.PRESSURE_LOW, "weak"),
         _cause(P.PEEL, "weak", detail="cold film pulled hot"), _cause(P.POWDER_LOW, "weak", detail="powder missing"),
         _cause(P.CURE_OVER, "weak")),
        f"{_GAUGE_FIRST} Check the peel class of the film and that it lies the right way up.",
        "If the platen is cooler than set, correct that first; only then more press heat or dwell, inside the limits.",
    ),
    Symptom(
        "patchy_transfer", "patchy transfer", "islands of the image are missing or stay on the film", "at peel",
        (_cause(P.PRESS_UNDER, "strong", detail="cold spot, when the place repeats"),
         _cause(P.PRESSURE_LOW, "medium", detail="uneven, such as over a seam"), _cause(P.POWDER_UNEVEN, "medium")),
        "Turn the coupon half round and repeat: does the gap follow the platen or the print? Map nine points.",
        "If it follows the platen, keep off the cold spot and have it mended; over a seam, use a pad.",
    ),
    Symptom(
        "grainy_back", "grainy back", "separate grains seen or felt on the powder side", "after cure",
        (_cause(P.CURE_UNDER, "strong", trade=True, detail="also a cold zone of the oven"),
         _cause(P.POWDER_COARSE, "medium")),
        f"Look along the back in low-angle light; swap places in the oven. {_GAUGE_FIRST}",
        "More cure heat or time inside the limits, until the back is shiny with an orange-peel texture.",
    ),
    Symptom(
        "wet_sheen", "wet sheen", "liquid film or droplets on the back, maybe hours later", "after cure",
        (_cause(P.CURE_UNDER, "strong", trade=True, detail="water or humectant left in the ink"),
         _cause(P.MOISTURE, "medium", trade=True)),
        "Wipe with a tissue: does liquid come off?",
        "Longer cure inside the limits, and store film and prints dry.",
    ),
    Symptom(
        "glass_back", "glass back", "dry, thin, very glossy, clear adhesive on the back", "after cure",
        (_cause(P.CURE_OVER, "medium"),),
        "Wipe with a tissue: it stays dry. Compare with a shorter cure.",
        "Less cure time or heat, inside the limits.",
    ),
    Symptom(
        "film_lock", "film lock", "the film will not let go, or tears", "at peel",
        (_cause(P.PRESS_OVER, "medium", trade=True, detail="release coat melted"),
         _cause(P.GAP, "weak", trade=True, detail="wait wrong for the peel class"), _cause(P.CURE_OVER, "weak"),
         _cause(P.INK, "weak", trade=True, detail="ink and film do not match")),
        "Same press, another wait before peel; read the peel class on the data sheet of the film.",
        "Let it cool and peel slowly; then less press heat, inside the limits.",
    ),
    Symptom(
        "string_peel", "string peel", "ink stretches or lifts with the film; fuzzy edges", "at peel",
        (_cause(P.GAP, "medium", trade=True, detail="wait too short on cold film"),
         _cause(P.PEEL, "medium", detail="angle or jerk"), _cause(P.PRESS_UNDER, "weak")),
        "Wait until cold on one coupon.",
        "Wait as the film's data sheet says, then a slow, low, rolling peel.",
    ),
    Symptom(
        "blisters", "blisters", "bubbles in solid areas", "at peel",
        (_cause(P.MOISTURE, "medium", detail="in ink, cloth or powder"),
         _cause(P.CURE_UNDER, "medium", trade=True, detail="water trapped under the powder"),
         _cause(P.GAP, "weak", detail="pressed straight out of the oven"),
         _cause(P.CURE_OVER, "weak", detail="boiling in large solids"),
         _cause(P.PRESS_OVER, "weak", detail="ink boils")),
        "Pre-press the cloth once more; let a film rest 24 h and look again.",
        "Dry the cloth, leave the gap between cure and press, then judge cure heat by the back of the film.",
    ),
    Symptom(
        "pinholes", "pinholes", "tiny holes in solid areas", "after cure",
        (_cause(P.INK, "weak", detail="nozzle or mottling"), _cause(P.DUST, "weak"), _cause(P.POWDER_LOW, "weak"),
         _cause(P.MOISTURE, "weak")),
        "Hold the film against the light before powder.",
        "Clean the print head and the film path; leave the heat alone.",
    ),
    Symptom(
        "small_part_loss", "small-part loss", "thin letters or dots lift at peel", "at peel",
        (_cause(P.POWDER_LOW, "medium", detail="on thin parts"), _cause(P.POWDER_COARSE, "medium"),
         _cause(P.PRESS_UNDER, "weak"), _cause(P.PEEL, "weak", detail="too fast")),
        "Look through a loupe at the powder side of the same letters.",
        "Finer powder or more white under thin parts; slow, low, rolling peel.",
    ),
    Symptom(
        "edge_lift_dry", "edge lift before wash", "the rim lifts before any wash", "after press",
        (_cause(P.PRESS_UNDER, "medium"), _cause(P.PRESSURE_LOW, "weak"), _cause(P.GAP, "weak"),
         _cause(P.NO_SECOND_PRESS, "weak")),
        f"Second press, then the thumbnail test. {_GAUGE_FIRST}",
        "If a second press does not hold it: more press heat or dwell, inside the limits.",
    ),
    Symptom(
        "edge_lift_wash", "edge lift after wash", "the rim lifts after a wash", "after wash",
        (_cause(P.PRESS_UNDER, "medium"), _cause(P.NO_SECOND_PRESS, "weak", trade=True),
         _cause(P.POWDER_LOW, "weak"), _cause(P.CURE_UNDER, "weak"), _cause(P.CURE_OVER, "weak")),
        f"{_GAUGE_FIRST} Repeat with a longer dwell only.",
        "More dwell, then more press heat, inside the limits; keep the second press.",
    ),
    Symptom(
        "sheet_lift_wash", "sheet lift after wash", "the whole print comes off as a sheet after a wash", "after wash",
        (_cause(P.PRESS_UNDER, "fairly strong"), _cause(P.PRESSURE_LOW, "medium"),
         _cause(P.FABRIC, "medium", detail="finish: repellent or softener")),
        "Put a water drop on the bare cloth: if it beads, it is the finish.",
        "Cloth without the finish, else more press heat or dwell, inside the limits.",
    ),
    Symptom(
        "colour_shed", "colour shed", "colour washes off; white or adhesive stays", "after wash",
        (_cause(P.CURE_UNDER, "medium", detail="ink not dried"), _cause(P.INK, "weak", detail="too much ink"),
         _cause(P.PRESS_UNDER, "weak")),
        "Rub an unwashed twin.",
        "More cure time inside the limits; less ink if the solids are heavy.",
    ),
    Symptom(
        "wash_ripple", "wash ripple", "the print puckers where the cloth shrank", "after wash",
        (_cause(P.FABRIC, "medium", detail="shrinks more than the print"), _cause(P.PRESS_OVER, "weak")),
        "Mark 100 mm on and off the print and measure after the wash.",
        "Choose or pre-shrink the cloth; press a little cooler only when bare cloth draws in under the platen.",
    ),
    Symptom(
        "press_shrink", "press shrink", "the cloth draws in under the platen", "at press",
        (_cause(P.PRESS_OVER, "strong"), _cause(P.FABRIC, "medium")),
        "Press bare cloth and measure it before and after.",
        "Less press heat, more dwell instead, inside the limits.",
    ),
    Symptom(
        "stretch_crack", "stretch crack", "lines open when the print is pulled", "after press",
        (_cause(P.CURE_OVER, "weak", detail="brittle"), _cause(P.PRESS_OVER, "weak", detail="brittle"),
         _cause(P.POWDER_HIGH, "weak"), _cause(P.INK, "weak", detail="thick"),
         _cause(P.CURE_UNDER, "weak", trade=True, detail="grains not fused")),
        "Measure the thickness; pull an unwashed twin; look at the back for grain or gloss.",
        "It points both ways: let the back of the film decide before any setting is moved.",
    ),
    Symptom(
        "stiff_hand", "stiff hand", "boardy; does not drape", "after press",
        (_cause(P.POWDER_HIGH, "weak"), _cause(P.POWDER_COARSE, "weak"),
         _cause(P.PRESSURE_HIGH, "weak", trade=True, detail="with heat"),
         _cause(P.PRESS_UNDER, "weak", detail="not sunk in")),
        "Weigh the film before and after powder; give one half a second press.",
        "Less or finer powder; a second press when that half feels softer.",
    ),
    Symptom(
        "yellowing", "yellowing", "whites turn cream", "after press",
        (_cause(P.CURE_OVER, "fairly strong", trade=True), _cause(P.PRESS_OVER, "fairly strong", trade=True),
         _cause(P.REPEATED_PRESS, "medium", trade=True), _cause(P.POWDER_OLD, "medium", trade=True)),
        "Compare the back of the film before press: cream already there means cure or powder.",
        "Less heat at the step where it turns, fresh powder, only as many presses as needed.",
    ),
    Symptom(
        "dye_bleed", "dye bleed", "the print takes on the colour of the cloth, maybe days later", "days later",
        (_cause(P.PRESS_OVER, "strong", trade=True, detail="on dyed polyester"),),
        "Press bare cloth under plain paper and look for colour on it; look again at 24 h and 72 h.",
        "Less press heat with more dwell inside the limits, or a film and ink made for dyed polyester.",
    ),
    Symptom(
        "press_mark", "press mark", "shiny box or crushed pile around the print", "at press",
        (_cause(P.PRESSURE_HIGH, "strong"), _cause(P.PRESS_OVER, "medium"), _cause(P.PAD, "medium")),
        "Press bare cloth at lower pressure.",
        "Less pressure and a pad first; then less press heat, inside the limits.",
    ),
    Symptom(
        "scorch", "scorch", "brown, brittle, burnt smell", "at press",
        (_cause(P.PRESS_OVER, "strong", trade=True), _cause(P.PRESSURE_HIGH, "medium", trade=True)),
        f"Stop, open the press and air the room. {_GAUGE_FIRST} Then press bare cloth.",
        "Do not go on until the platen is known to be what it shows; then less press heat.",
    ),
    Symptom(
        "sunk_print", "sunk print", "the weave shows; opacity is lost", "after press",
        (_cause(P.PRESS_OVER, "medium", trade=True), _cause(P.PRESSURE_HIGH, "weak", trade=True),
         _cause(P.POWDER_LOW, "weak")),
        "Lower the pressure first.",
        "If less pressure does not help: less press heat or dwell, inside the limits.",
    ),
    Symptom(
        "strike_through", "strike-through", "adhesive on the reverse of the cloth", "after press",
        (_cause(P.PRESS_OVER, "strong"), _cause(P.POWDER_HIGH, "medium"), _cause(P.FABRIC, "medium", detail="thin")),
        "Look at the reverse and weigh the powder.",
        "Less press heat or dwell, or less powder; keep adhesive off the lower platen.",
    ),
    Symptom(
        "tacky_face", "tacky face", "the face stays sticky when cold", "after press",
        (_cause(P.CURE_UNDER, "weak", detail="humectant left"),
         _cause(P.POWDER_LOW_MELT, "weak")),
        "Leave it 24 h at room conditions, then touch again.",
        "Longer cure inside the limits; if it stays, ask the powder's maker about the melting range.",
    ),
)  # fmt: skip
"""Every symptom, each once."""
