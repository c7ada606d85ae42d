"""How each act of care is done and what to mind, for page and command line (common practice, no source)."""

from __future__ import annotations

from collections.abc import Mapping

from monitor import cautions
from monitor.records import LogKind

HINTS: Mapping[str, str] = {
    LogKind.HYDROMETER: (
        "Read the cells before you add water, the bank at rest. Draw and empty the hydrometer a few times"
        " before you read it. Leave a cell empty that you did not read."
    ),
    LogKind.WATER: (
        "Distilled water only, after charging, to the mark in the cell. Where plates are bare, cover them"
        " first, charge, then fill up. Never add acid."
    ),
    LogKind.VOLTAGES: (
        "The bank at rest: loads off and array open for an hour or more. Measure each battery between its own"
        " two poles, to a hundredth of a volt, one after the other. Leave one empty that you did not measure."
        " Two that are joined at both poles show one voltage and tell nothing of each."
    ),
    LogKind.EQUALIZATION: (
        "Only where your maker's sheet asks for it, after a full charge, at the voltage and time it gives,"
        " the plates of all cells covered. Before that switch off what does not bear the voltage."
    ),
    LogKind.TERMINALS: (
        "Look for corrosion, warm spots, worn insulation. Torque as the maker's sheet says, with an insulated"
        " tool. Clean, dry, and grease what is bare."
    ),
    LogKind.CLEANING: "Cold panels in the morning, water and a soft cloth. Look for new shade, too.",
    LogKind.CAPACITY: (
        "In mild weather one gentle discharge from full, a rest of 6 hours, and a full charge at once. The"
        " monitor guides you through it and reckons what it tells: on its page by the capacity test, on the"
        " command line by “nightbank care”, the site file and “capacity”."
    ),
}

MIND: Mapping[str, tuple[str, ...]] = {
    LogKind.HYDROMETER: (cautions.ACID_AND_HYDROGEN,),
    LogKind.WATER: (cautions.ACID_AND_HYDROGEN,),
    LogKind.VOLTAGES: (cautions.SHORT_CIRCUIT,),
    LogKind.EQUALIZATION: (cautions.ACID_AND_HYDROGEN,),
    LogKind.TERMINALS: (cautions.ORDER, cautions.SHORT_CIRCUIT),
    LogKind.CLEANING: (cautions.ARRAY_LIVE,),
    LogKind.CAPACITY: (cautions.ORDER, cautions.ACID_AND_HYDROGEN),
}
