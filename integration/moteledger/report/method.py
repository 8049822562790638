"""What a report says of its method and sources: the same for every house."""

METHOD = (
    "Every microgram is booked: what comes in through the shell, what is made indoors, what the filter takes out, what "
    "settles and what leaves with the air. The balance is solved exactly over each step, so both sides of the account "
    "agree but for rounding.",
    "Entry, loss with the fan at rest and clean air delivered are found together from indoor and outdoor readings and "
    "the hours that the fan ran. Ranges hold the true value nine times in ten.",
    "Clean air delivered is the room air cleaned of PM2.5 by filter, coil and ducts while the fan runs. Air that leaks "
    "in or out of ducts is not counted as delivery.",
    "What to expect comes from the survey: airflow, the rating of the filter and the gaps beside it. A system delivers "
    "when at least 85 % of that is found, told with confidence.",
    "The fan-off / fan-on test compares how fast a raised level of particles falls with the fan at rest and running.",
)
SOURCES = (
    "Filter ratings and size ranges: ANSI/ASHRAE Standard 52.2, table 12-1.",
    "Infiltration: ASHRAE Handbook Fundamentals, enhanced model.",
    "Fan power where the survey states none: ANSI/RESNET/ICC 301.",
    "Combination of uncertainties: JCGM 100:2008.",
    "Air quality index: US EPA, PM2.5 breakpoints of 2024; guideline value: WHO global air quality guidelines, 2021.",
    "Units: NIST Special Publication 811 (2008).",
)
