"""What shops and their programs write for the standard's listed values."""

from typing import Final


def _table(**said: str) -> dict[str, str]:
    """From `STANDARD="words of it"`, several words joined by an underscore, to a table from word to standard."""
    return {word.replace("_", " "): standard for standard, words in said.items() for word in words.split()}


VALUES: Final[dict[str, dict[str, str]]] = {
    "": _table(
        UNAVAILABLE="unavailable offline disconnected unknown n_a na null nan no_signal no_data no_connection "
        "undefined unbekannt getrennt"
    ),
    "EXECUTION": _table(
        ACTIVE="active run running production producing produktion cutting machining cycle in_cycle incycle start "
        "started working laeuft laufend busy operating operation execute executing exec 1 true on marche en_marche "
        "automatikbetrieb in_betrieb",
        READY="ready idle standby stand_by bereit 0 false reset leerlauf init",
        STOPPED="stopped stop halt halted aus off down stillstand steht gestoppt arret",
        INTERRUPTED="interrupted interrupt alarm fault error stoerung unterbrochen abort aborted",
        FEED_HOLD="feed_hold feedhold hold held paused pause angehalten",
        PROGRAM_COMPLETED="program_completed completed complete done finished end ended m30 m02 fertig",
        PROGRAM_STOPPED="program_stopped m00 m0 programmed_stop",
        OPTIONAL_STOP="optional_stop m01 m1 opt_stop",
        WAIT="wait waiting warten wartet",
    ),
    "CONTROLLER_MODE": _table(
        AUTOMATIC="automatic auto aut automatik mem memory tape dnc remote",
        MANUAL="manual jog hand man handle hnd mpg inc step handrad manuell home ref zrn",
        MANUAL_DATA_INPUT="manual_data_input mdi mda",
        SEMI_AUTOMATIC="semi_automatic single single_block sbk einzelsatz semi setup einrichten",
        EDIT="edit editing",
    ),
    "END_OF_BAR": _table(YES="yes true 1 on ja y x end empty", NO="no false 0 off nein n ok present"),
    "DOOR_STATE": _table(
        OPEN="open opened 1 true offen auf geoeffnet on",
        CLOSED="closed close shut 0 false zu geschlossen off",
        UNLATCHED="unlatched unlocked entriegelt",
    ),
    "CHUCK_STATE": _table(
        OPEN="open opened 0 false offen unclamped", CLOSED="closed close 1 true clamped geschlossen gespannt"
    ),
    "EMERGENCY_STOP": _table(
        TRIGGERED="triggered pressed 1 true on active yes tripped betaetigt",
        ARMED="armed ok 0 false off released no normal",
    ),
    "AVAILABILITY": _table(
        AVAILABLE="available online connected 1 true on up ok yes ein",
        UNAVAILABLE="unavailable offline disconnected 0 false off down no aus",
    ),
    "MATERIAL_CHANGE": _table(
        ACTIVE="active start started begin loading running 1 true on laedt",
        COMPLETE="complete completed done ok end finished 0 false off fertig",
        FAIL="fail failed error nok fault fehler",
        READY="ready idle",
        NOT_READY="not_ready disabled",
    ),
    "CONDITION": _table(
        NORMAL="normal ok clear cleared inactive no_alarm false no off keine gegangen",
        WARNING="warning warn warnung",
        FAULT="fault alarm error active stoerung gekommen",
    ),
}
"""By item, then by the value's words in lower case; under "" what says, for any item, that nothing is known."""
