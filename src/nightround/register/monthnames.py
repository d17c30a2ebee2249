"""The names of the months and their usual short forms in English, German and French, in lower case without accents."""

_NAMES = (
    "january jan januar jaenner janner janvier janv",
    "february feb februar feber fevrier fevr fev",
    "march mar marz maerz mrz mars",
    "april apr avril avr",
    "may mai",
    "june jun juni juin",
    "july jul juli juillet juil",
    "august aug aout",
    "september sep sept septembre",
    "october oct oktober okt octobre",
    "november nov novembre",
    "december dec dezember dez decembre",
)

MONTHS = {name: number for number, names in enumerate(_NAMES, 1) for name in names.split()}
