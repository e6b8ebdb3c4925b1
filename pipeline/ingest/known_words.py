"""Words that tell names of people from ordinary words; all folded: no capitals, no accents.

From memory, of many languages, and neither list is complete: a service declares its own words in
`[vocabulary]` of export.toml.
"""

from __future__ import annotations

_GIVEN_NAMES_TEXT = """
aaron abdul abdullah abigail adam adrian adriana agata agnes agnieszka ahmad ahmed aisha akira
alan albert alberto alejandra alejandro aleksandr aleksandra alessandra alessandro alexander
alexandra alexandre alexandru alexei alexey alexis alfred ali alice alicia alina alison allison
alvaro alyssa amanda amelia amelie amina amit amy ana anastasia anders andre andrea andreas andrei
andrew andrey andrzej angela angelika angelina anita anja anjali ann anna anne anneli annette
annika ante anthony antoine anton antonia antonio antti anya ariana arjun arne arthur arturo arun
astrid athena audrey aurelie ayse barbara barbora beatrice beatriz ben benedikt benjamin bernard
bernd bettina bianca birgit bjorn bozena bradley brandon brenda brian bridget bruno caitlin camila
camille carl carla carlo carlos carmen carol carolina caroline catalina catarina caterina
catherine cecilia celine charles charlotte chiara chloe christina christine christoph christophe
christopher claire clara claudia claudio colin connor cristian cristina cynthia daisuke damien dan
daniel daniela daniele danielle daria dave david davide deborah deepak denis dennis diana diego
dieter dimitri dimitris dmitri dmitry dominik dominique donald donna dorota dorothy douglas
duc eduardo edward eero ekaterina elaine elena eleni elias elif elisa elisabeth elizabeth elke
ella ellen elsa emanuel emeka emil emilia emilie emily emma emmanuel emre enrico enrique eric erica
erik erika erin ernesto esra esteban esther eszter ethan eugene eva evelyn ewa fabian fabio fatima
fatma federica federico felipe felix fernanda fernando filip fiona florian frances francesca
francesco francisco francois franz freya frida friedrich gabor gabriel gabriela gabriele gabriella
georg george georgi georgios gerard gerhard giorgio giovanni giulia giuseppe gizem gonzalo gordon
goran grzegorz guillaume guillermo gunnar gunther gustav hana hanna hannah hannes hans hassan
heather hector heidi heike heinrich heinz helen helena helga henri henrik henrique henry hiroshi
holger hussein ian ibrahim ignacio igor ilona ines inga inge ingrid ioana ioannis ion irena irene
irina isabel isabella isabelle ivan ivana jaakko jacek jacob jacqueline jakob jakub james jan jana
jane janet janine jaroslav jason jasmin javier jean jeffrey jelena jennifer jeremy jerome jessica
jesus jiri joan joana joanna joao joel johan johann johanna johannes john jonas jonathan jorge jose
josef joseph joshua juan juana judith judy juha juhani julia julian juliana julie julien julio
juliette jurgen justin justyna jutta kaito kamil karen karin karina karl karla karolina katarina
katarzyna kate katerina katharina katherine kathleen kathryn katie katja kavita keiko keith kelly
kenji kenneth kerstin kevin khalid kimberly kirsten kjell klaus konstantin konstantinos kristen
kristian kristin kristina krzysztof kyle lars latoya laszlo laura lauren laurent lea leah leena
lena leo leon leonardo leonie leticia liam lisa lise loic lorena lorenzo louis louise luc luca
lucas lucia luciana lucie lucy luigi luis luisa lukas luke lydia maciej magdalena mahmoud maja
malgorzata manfred manuel manuela marc marcel marcela marcelo marcin marco marcos marcus
marek margaret margarita maria mariam mariana marianne marie marina mario marion marit marius
marjo marko markus marta martha martin martina mary mateusz mathieu mathilde matthew matthias
matteo matti maurice mauricio maxim maxime megan mehmet mei melanie melissa mia michael michal
michel michele michelle miguel mihai mika mikael mike mikhail mikko milan milos miriam mirjam
mohamed mohammad mohammed monica monika monique mustafa nadia nancy naoko naomi natalia natalie
natasha nathalie nathan nicholas nicola nicolas nicole niels nikita niklas nikolai nikolaos nikos
nina noah noemi nora norbert nuno olaf oleg olga oliver olivia olivier olof omar oscar oskar
otto pablo pamela paola paolo patricia patrick patrik paul paula pauline paulo pavel pawel pedro
peggy pekka penelope per peter petr petra philip philipp philippe pierre pilar piotr priya
rachel radek rafael rahul raimund rainer raj rajesh ralf ramona ramon raquel ravi rebecca regina
reinhard renata renate rene ricardo riccardo richard rita robert roberta roberto rocio rodrigo
roger roland roman romain ronald rosa rosario roxana ruben rudolf ruth ryan sabine sakura salma sam
samantha samira samuel sandra sandrine sanjay santiago sara sarah satu scott sean sebastian
sebastien selma serge sergei sergey sergio shannon sharon shirley sigrid silvia simon simona
simone sofia sofie sonia sonja sophia sophie stanislav stefan stefania stefano steffen stella
stephan stephanie stephen steve steven stig stuart sunil susan susana susanne sven svetlana sylvia
sylvie szymon takeshi tamara tanja tapio tara tatiana teresa terry thanh theresa thi thierry thomas
tiago tiina tim timo timothy tina tobias tom tomas tomasz tomoko tony tove tracy tuan tuomas
tuula ulla ulrich ulrike urs ursula uta uwe valentina valeria valerie vanessa vera veronica
veronika veronique vicente victoria viktor viktoria vincent vincenzo vinicius viola virginia
virginie vladimir waldemar walter wanda wei wendy werner wiebke wilhelm william wojciech wolfgang
xavier yasmin yolanda yuki yuri yusuf yves yvonne zainab zbigniew zdenek zeynep zofia zoe zoltan
zsofia
александр александра алексей алина анастасия андрей анна антон артем борис валентина валерий вера
виктор виктория владимир галина дарья денис дмитрий евгений екатерина елена иван игорь ирина кирилл
ксения людмила максим марина мария михаил наталья николай оксана олег ольга павел петр
роман светлана
сергей софия татьяна юлия юрий
αθηνα αικατερινη αλεξανδρος ανδρεας αννα αντωνιος βασιλειος γεωργιος δημητριος ειρηνη ελενη
ιωαννης κωνσταντινος μαρια νικολαος παναγιωτης σοφια χρηστος
"""
GIVEN_NAMES = frozenset(_GIVEN_NAMES_TEXT.split())
"""Given names that are no other word of the trade or of common English."""

TITLES = "Mr|Mrs|Ms|Miss|Dr|Dra|Prof|Herr|Frau|Mme|Mlle|Señor|Señora|Sra|Signor|Signora|Madame"

_FIRST_OF_PLACE_TEXT = """
st ste saint sankt san santa santo sao sant fort port porto mount mont monte lake lac cape camp
castle point glen ben loch villa queen king prince princess lady our holy old new royal upper lower
great little big bad la le les el los las isle rio puerto lago bay nova novo novi
"""
FIRST_OF_PLACE = frozenset(_FIRST_OF_PLACE_TEXT.split())
"""A pair of words that begins so is a place, whatever follows: St Heron, Fort Alder."""

_PLACE_OR_THING_TEXT = """
park bay beach city falls springs heights valley creek island islands harbour harbor airport
heliport hospital infirmary ridge county junction bluff bluffs rapids bend gate hub depot hangar
pad helipad tower towers house centre center square avenue street road lane court plaza mall
village town towne district region zone sector border shore coast cliff cove canyon prairie
plains mesa butte peak peaks mountain mountains summit pass plateau desert swamp meadow meadows
grove orchard farm farms mill mills mine mines quarry quay wharf pier dock docks yard works
station terminal runway apron observatory university college school campus clinic ward wing floor
shift shifts night day days evening morning weekend weekday early late early-late rota duty call
calls on-call pool float relief back-up backup bank agency locum reserve standby cover first
second third fourth fifth double single triple half full
officer chief captain sister matron orderly porter scribe clerk secretary dispatcher planner
instructor preceptor mentor trainer trainee apprentice volunteer tech aide helper sitter driver
pilot copilot co-pilot navigator mechanic engineer perfusionist perfusion ecmo anaesthetist
anesthetist anaesthesia anesthesia intensivist neonatologist surgeon registrar hospitalist
radiographer pharmacist dietitian dietician interpreter chaplain social worker rn rt np pa md do
emt emtp rrt cc lvn lpn hca sho
"""
PLACE_OR_THING = frozenset(_PLACE_OR_THING_TEXT.split())
"""Words of places, rosters and roles: a pair that holds one is no person."""

_PERHAPS_SURNAME_TEXT = """
hill hills brook brooks ford wood woods green brown black white grey gray red blue silver golden
gold young stone field fields marsh rivers river banks forest heath bridge bridges gates north south
east west knight fox wolf bear eagle hawk heron swan crane falcon raven robin swallow otter badger
bull buck moon sun star sky cloud rain snow winter summer spring autumn frost storm wind winds
cedar oak ash elm alder birch maple pine willow hazel holly ivy laurel rowan juniper aspen beech
lily rose olive cherry apple berry cotton clover heather fern moss reed rock rocks sand sandy cold
hot warm dry wet clear sweet crystal coral pearl ruby jade amber stony rocky high low long short
broad deep top bottom inner outer middle mid main major minor twin two three four five six seven
eight nine ten grand royal crown cross church chapel abbey temple minster parish priory kirk bishop
abbot pope friar market fair fountain well wells spring bell iron steel copper salt sugar mill
miller mason cooper smith park parks hall lodge manor cottage barn stable horse lamb sheep
pleasant happy hope grace faith charity liberty union victory freedom peace paradise eden avalon
alpha beta gamma delta echo foxtrot golf hotel india juliet kilo lima mike november oscar papa
quebec romeo sierra tango uniform victor whiskey xray yankee zulu
sur sous am upon by the and of at in with under over near
bed beds request family parent road closure cylinder signal lost second opinion hand over update
plan weather hold availability power failure fault swap trial check test review question query
adult infant small large extra soft firm new old spare loan hire bench rack drawer store room
"""
PERHAPS_SURNAME = frozenset(_PERHAPS_SURNAME_TEXT.split())
"""Words that are surnames too: a pair that holds one is a person's only beside a given name."""

PHRASES = (
    "guillain barre|pierre robin|prader willi|treacher collins|henoch schon(?:e)?lein|werdnig"
    " hoffmann?|fallot|di ?george|ebstein|stevens johnson|ehlers danlos|wolff parkinson(?: white)?"
    "|cri du chat|cornelia de lange|silver russell|beckwith wiedemann|diamond blackfan|tay sachs"
    "|niemann pick|charcot marie(?: tooth)?|duchenne|becker|kawasaki|kasabach merritt|sturge weber"
    "|von willebrand|klippel feil|smith lemli(?: opitz)?|moya ?moya|rubinstein taybi|down s"
    "|turner s"
    "|marfan|noonan|edwards|patau|hirschsprung|wilms|leigh|reye|goldenhar|apert|crouzon|pfeiffer"
    "|williams beuren|wiskott aldrich|lennox gastaut|dandy walker|arnold chiari|budd chiari"
    "|osler weber(?: rendu)?|miller fisher|epstein barr|gullain barre|hand schuller|landau kleffner"
)
"""Diseases that are called after people, folded, a space between words."""
