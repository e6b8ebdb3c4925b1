"""The months as a dozen languages write them, for the screen to know a date by; from memory."""

from __future__ import annotations

_TEXT = """
january february march april may june july august september october november december
januar februar marz maerz mai juni juli oktober dezember jaenner janner
janvier fevrier mars avril juin juillet aout septembre octobre novembre decembre
enero febrero marzo abril mayo junio julio agosto septiembre setiembre octubre noviembre diciembre
gennaio febbraio aprile maggio giugno luglio settembre ottobre dicembre
januari februari maart mei augustus
janeiro fevereiro marco maio junho julho setembro outubro dezembro
augusti maj marts
stycznia lutego marca kwietnia maja czerwca lipca sierpnia wrzesnia pazdziernika listopada grudnia
styczen luty marzec kwiecien czerwiec lipiec sierpien wrzesien pazdziernik listopad grudzien
ledna unora brezna dubna kvetna cervna cervence srpna zari rijna listopadu prosince
leden unor brezen duben kveten cerven cervenec srpen rijen prosinec
tammikuuta helmikuuta maaliskuuta huhtikuuta toukokuuta kesakuuta heinakuuta elokuuta syyskuuta
lokakuuta marraskuuta joulukuuta
tammikuu helmikuu maaliskuu huhtikuu toukokuu kesakuu heinakuu elokuu syyskuu lokakuu marraskuu
joulukuu
januar februar marcius aprilis majus junius julius augusztus szeptember oktober
ocak subat mart nisan mayis haziran temmuz agustos eylul ekim kasim aralik
ianuarie februarie martie aprilie iunie iulie septembrie octombrie noiembrie decembrie
sijecnja veljace ozujka travnja svibnja lipnja srpnja kolovoza rujna listopada studenoga prosinca
января февраля марта апреля мая июня июля августа сентября октября ноября декабря
январь февраль март апрель май июнь июль август сентябрь октябрь ноябрь декабрь
ιανουαριου φεβρουαριου μαρτιου απριλιου μαιου ιουνιου ιουλιου αυγουστου σεπτεμβριου οκτωβριου
νοεμβριου δεκεμβριου
"""
NAMES = _TEXT.split()


def spellings() -> list[str]:
    """Every name with its first three and four letters, longest first, folded."""
    short = {name[:length] for name in NAMES for length in (3, 4)}
    return sorted({*NAMES, *short, "sept", "janv", "juil", "mrt"}, key=lambda n: (-len(n), n))
