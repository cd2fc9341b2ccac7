"""The invented county: sixty polling places, their towns, circuits and streets."""

COUNTY = "Kettle Run County"
ZONE = "America/New_York"
DAY = "2026-11-03"
DEPOT = (41.6320, -77.9050)

# name; other names; street; town (index of TOWNS); expected voters
SITES = [
    ("Orchard Lane Elementary", "Orchard Lane School;Orchard Lane El", "218 Orchard Lane", 0, 640),
    ("Maddox Avenue Library", "Maddox Ave Library;Maddox branch", "41 Maddox Avenue", 0, 720),
    ("First Brethren Fellowship Hall", "First Brethren;Brethren Fellowship", "900 Spruce Row", 0, 510),
    ("Tollgate Fire Company No. 2", "Tollgate FD;Tollgate Fire 2", "12 Tollgate Pike", 0, 560),
    ("Hatchery Road Community Room", "Hatchery Rd Comm Room;Hatchery Road", "77 Hatchery Road", 0, 430),
    ("Ives Middle School", "Ives MS;Ives Middle", "350 Ives Street", 0, 880),
    ("Bellweather Senior Apartments", "Bellweather Apts;Bellweather Sr", "5 Bellweather Court", 0, 340),
    ("Quarry Street Armory", "The Armory;Quarry St Armory", "160 Quarry Street", 0, 790),
    ("Saint Odile Parish Center", "St Odile;St. Odile Parish Ctr", "23 Candle Street", 0, 600),
    ("Riverfront Recreation Building", "Riverfront Rec;Rec Building", "1 Towpath Way", 0, 690),
    ("Dunmore Union Hall", "Union Hall;Dunmore Hall", "484 Dunmore Street", 0, 470),
    ("Cobbler's Green Pavilion", "Cobblers Green;The Green pavilion", "66 Cobbler Street", 0, 390),
    ("North Ferry Elementary", "N Ferry Elementary;North Ferry School", "702 Ferry Street", 0, 610),
    ("Pennywhistle Arts Center", "Pennywhistle;Arts Center", "33 Fiddler Lane", 0, 530),
    ("Zion Hill A.M.E. Church", "Zion Hill AME;Zion Hill", "1120 Zion Hill Road", 0, 450),
    ("Lockkeeper's House Museum", "Lockkeepers House;Lock museum", "9 Canal Row", 0, 300),
    ("Garrison High School", "Garrison HS;Garrison High", "2000 Garrison Drive", 0, 1150),
    ("Tannery Flats Clubhouse", "Tannery Flats;Tannery clubhouse", "88 Tannery Court", 0, 420),
    ("Wexcombe Township Building", "Wexcombe Twp;Wexcombe Twp Bldg", "3150 Wexcombe Road", 1, 580),
    ("Wexcombe Volunteer Fire Hall", "Wexcombe VFD;Wexcombe Fire Hall", "3302 Wexcombe Road", 1, 500),
    ("Upper Sawmill Grange", "Sawmill Grange;Upper Sawmill", "14 Sawmill Creek Road", 1, 360),
    ("Bright Meadow Lutheran Church", "Bright Meadow;Bright Meadow Luth.", "610 Meadow Road", 1, 440),
    ("Ridgeline Intermediate School", "Ridgeline Int;Ridgeline School", "1800 Ridgeline Drive", 1, 760),
    ("Pell's Crossing Town Hall", "Pells Crossing;Pell's Xing Town Hall", "2 Crossing Street", 1, 490),
    ("Kittery Mill Lofts", "Kittery Lofts;Kittery Mill", "55 Millrace Street", 1, 540),
    ("Bittern Marsh Nature Center", "Bittern Marsh;Bittern Nature Ctr", "4400 Marsh Road", 1, 330),
    ("American Veterans Post 318", "Post 318;AmVets hall 318", "71 Larch Avenue", 1, 520),
    ("Foxglove Elementary", "Foxglove El;Foxglove School", "240 Foxglove Circle", 1, 680),
    ("Chapel of the Pines", "Pines Chapel;Chapel of Pines", "19 Pinecone Trail", 1, 310),
    ("Stillwater Borough Office", "Stillwater Boro;Stillwater Borough", "100 Borough Square", 2, 550),
    ("Stillwater Public Library", "Stillwater Library;Stillwater PL", "8 Book Street", 2, 630),
    ("Hollis Park Field House", "Hollis Field House;Hollis Park", "750 Hollis Parkway", 2, 570),
    ("Mercer's Ford Methodist Church", "Mercers Ford UMC;Mercer's Ford Church", "27 Ford Road", 2, 410),
    ("Cinderbank Community House", "Cinderbank;Cinderbank House", "303 Slag Street", 2, 540),
    ("Temple Beth Arazim", "Beth Arazim;The Temple", "1475 Cedar Boulevard", 2, 620),
    ("Eastwick Career Center", "Eastwick CTC;Eastwick Career Ctr", "5100 Trade School Road", 2, 840),
    ("Old Post Road Inn Ballroom", "Post Road Inn;Old Post Rd Inn", "620 Old Post Road", 2, 480),
    ("Vine Street Islamic Center", "Vine St Islamic Ctr;Vine Street Center", "212 Vine Street", 2, 590),
    ("Copperhead Gap Fire Station", "Copperhead FD;Copperhead Gap", "1 Gap Road", 3, 350),
    ("Langley Hollow School", "Langley Hollow;Langley School", "88 Hollow Road", 3, 470),
    ("Tiller's Rest Grange No. 40", "Grange 40;Tillers Rest", "640 Furrow Lane", 3, 320),
    ("Sugarbush Lodge", "Sugarbush;The Lodge at Sugarbush", "2750 Maple Run", 3, 1090),
    ("Dry Fork Baptist Church", "Dry Fork Baptist;Dry Fork", "410 Dry Fork Road", 3, 380),
    ("Overlook Mennonite Meetinghouse", "Overlook Meetinghouse;Overlook Mennonite", "36 Overlook Road", 3, 340),
    ("Pike Summit Maintenance Garage", "Pike Summit Garage;Summit garage", "9000 Summit Pike", 3, 290),
    ("Tarn Valley Ambulance Hall", "Tarn Valley EMS;Ambulance Hall", "15 Siren Road", 3, 430),
    ("Thistledown Mobile Estates Office", "Thistledown;Thistledown Estates", "1 Thistledown Loop", 3, 360),
    ("Bramwell Consolidated School", "Bramwell Cons.;Bramwell School", "1300 Bramwell Road", 4, 740),
    ("Bramwell Legion Hall", "Legion Hall;Bramwell Legion", "44 Monument Street", 4, 500),
    ("Saltlick Township Garage", "Saltlick Twp Garage;Saltlick", "2210 Saltlick Road", 4, 400),
    ("Our Lady of the Fields", "OL Fields;Our Lady Fields Hall", "320 Rectory Lane", 4, 560),
    ("Gristmill Visitor Center", "Gristmill;Grist Mill Visitor Ctr", "7 Gristmill Way", 4, 370),
    ("Kestrel Ridge Golf House", "Kestrel Ridge;Golf House", "1801 Fairway Drive", 4, 660),
    ("Low Bridge Mission", "Low Bridge;Mission at Low Bridge", "95 Towline Road", 4, 420),
    ("Carver Homestead Barn", "Carver Barn;Homestead Barn", "530 Carver Road", 4, 350),
    ("Junction City Depot Hall", "Depot Hall;Junction Depot", "10 Railroad Avenue", 4, 510),
    ("Marlpit Elementary", "Marlpit El;Marlpit School", "275 Marlpit Road", 4, 590),
    ("Three Elms Nursing Home", "Three Elms;3 Elms", "60 Elm Walk", 4, 280),
    ("Windrow Agricultural Center", "Windrow Ag Center;Ag Center", "3999 Fairground Road", 4, 650),
    ("Hazel Bend Schoolhouse", "Hazel Bend;Hazel Bend School", "48 Bend Road", 4, 330),
]
# latitude, longitude, spread [degrees]: the county seat and four corners of the county
TOWNS = [
    (41.632, -77.905, 0.030),
    (41.700, -78.060, 0.045),
    (41.560, -77.760, 0.040),
    (41.520, -78.080, 0.055),
    (41.730, -77.770, 0.050),
]
# utility circuit: a point that it is centred on; a site hangs on the nearest
CIRCUITS = {
    "WEX-1": (41.69, -78.09),
    "WEX-2": (41.72, -78.03),
    "GAP-1": (41.50, -78.12),
    "GAP-2": (41.54, -78.03),
    "SEAT-1": (41.650, -77.925),
    "SEAT-2": (41.645, -77.880),
    "SEAT-3": (41.615, -77.915),
    "STW-1": (41.57, -77.79),
    "STW-2": (41.55, -77.73),
    "BRM-1": (41.75, -77.80),
    "BRM-2": (41.73, -77.72),
    "BRM-3": (41.69, -77.78),
}
ROOMS = ["gym", "main hall", "cafeteria", "lower level", "multipurpose room", "lobby", "meeting room B", "annex"]
ENTRANCES = ["", "", "ramp on the east side", "use the rear lot, automatic door", "lift beside the stage door", ""]
NAMES = """
Aldous Fenn;Marguerite Oyelaran;Tobin Halvorsen;Ruth Castellane;Ignacio Prewitt;
Delphine Mbeki;Harlan Stroud;Yuki Bannister;Opal Trevanion;Cormac Delacroix;
Wilhelmina Dube;Arlo Szymanski;Nadine Okafor;Percy Lindqvist;Belen Archuleta;
Gideon Marsh;Suri Vanterpool;Lowell Abernethy;Ottilie Brandt;Rashid Colquhoun;
Hedy Marchetti;Emeka Thorne;Winifred Alcott;Casimir Rowe;Tamsin Iyer;
Leopold Greer;Noor Hathaway;Franklin Osei;Clementine Voss;Dimitri Pascoe;
Estelle Ng;Jubal Carrow
"""
PEOPLE = NAMES.replace("\n", "").split(";")
