"""The terms of the tool and what they mean, each in a mechanic's words."""

TERMS: dict[str, str] = {
    "life": (
        "The use one part sees at one place on one truck, from the day it is fitted to the day it comes off: "
        "miles, engine hours or days. A joint that is replaced starts a new life at the same place. Lives, not "
        "trucks, are what is counted here."
    ),
    "failure": (
        "A life that ended because the part had failed, on the road or found bad at an inspection. A part changed "
        "for any other reason has not failed."
    ),
    "suspension": (
        "A life that did not end in a failure: the part is still running, or came off for another reason (planned, "
        "with its mate, truck sold). It is known to have lasted at least that long. Leaving suspensions out makes "
        "parts look far worse than they are."
    ),
    "entered late": (
        "The part was already in place when the records begin. It is counted only from the age it had that day: "
        "whatever like parts failed earlier was never recorded, so the early miles prove nothing."
    ),
    "exposure": (
        "All the miles (or hours, or days) that parts ran under observation, added up. Failures mean little without it."
    ),
    "age unknown": (
        "Nobody knows how old the part was when it entered the record, so it is left out until it is next "
        "replaced, and counted."
    ),
    "position unknown": (
        "A replacement whose work order does not say which of several like parts was changed. It is never guessed: "
        "those places are left out from the last moment at which they were certain, and counted."
    ),
    "position": "The place on the truck where a part sits, for example the first joint of the main shaft.",
    "component": "The kind of part: joint, slip spline, boot, center bearing, or the fleet's own word.",
    "duty cycle": (
        "The kind of work a truck does, such as line-haul, regional or vocational. Parts are compared within it, "
        "because hard work wears parts faster and hard-used trucks are also greased more often."
    ),
    "stratum": "One group of lives that is looked at by itself, for example the joints of the line-haul trucks.",
    "shape": (
        "The shape of a life curve, written beta. Below 1: failures come early and thin out, which speaks of bad "
        "fitting or bad lots. About 1: failures come by chance at any age. Above 1: parts wear out, and the older "
        "the part the likelier the failure."
    ),
    "characteristic life": (
        "The life by which 63.2 % of parts have failed, written eta. It says how long the life curve is, as the "
        "shape says how steep."
    ),
    "B10": (
        "The life by which one part in ten has failed. Nine in ten last longer. The usual yardstick for comparing "
        "parts and classes."
    ),
    "B10 ratio": "One class's B10 life divided by another's. 0.5 means that parts last half as long.",
    "held equal": (
        "What else differs between two classes (hardware, model year, axle ratio) and may be the "
        "true reason. The second ratio compares parts as if these were alike."
    ),
    "p value among alike": (
        "The p value of the difference between classes when only parts are compared that are alike in what differs "
        "besides: the same hardware, the same third of model years or axle ratios."
    ),
    "share that grease bears on": (
        "Of the failures by this age whose mode tells, the share that a regrease interval can influence: wear, "
        "galling, spalling, seizing, corrosion. Counted so that it does not hang on how long parts were watched. Which "
        "modes count is common practice."
    ),
    "mode does not tell": "Failures whose mode is not on record or whose name does not say whether grease bears on it.",
    "by this age": "The oldest age at which at least five parts are still under watch.",
    "common age": "An age that at least five parts of every class have reached, so that all classes can be compared.",
    "mean life up to a common age": (
        "The mean number of miles that a part gives up to an age that parts of every class have reached, counted from "
        "the records with no curve assumed. Irwin, Journal of Hygiene, 1949."
    ),
    "life curve": "The share of parts still good at each mileage, starting at 100 % and falling as parts fail.",
    "Weibull": (
        "The family of life curves used here: two numbers, shape and characteristic life, that can describe early "
        "failures, chance failures and wear-out alike. Published by W. Weibull, Journal of Applied Mechanics, "
        "1951."
    ),
    "survival": "The share of parts still good at a given age.",
    "numbers at risk": (
        "How many parts were being watched at each age. Where few are left, the curve is little more than a guess."
    ),
    "log-likelihood": (
        "How well a curve explains the recorded lives; only differences between curves on the same lives mean anything."
    ),
    "pooled": (
        "A value steadied by what the neighbouring groups show. A group with few failures leans on the others; a "
        "group with many keeps its own value."
    ),
    "spread between trucks": (
        "Trucks of one class are not alike: some always wear parts faster. This is how much their failure rates "
        "differ (the variance of a factor whose mean is 1; 0 means all alike). Also called frailty. Ignoring it "
        "makes every conclusion look too certain."
    ),
    "interval of uncertainty": (
        "The range from low to high that would hold the true value in about 90 of 100 such studies (another share "
        "if you set --level). A wide range means that the data cannot say much."
    ),
    "level": (
        "The share of such studies whose interval holds the true value: 0.90 unless you set it. In a comparison: "
        "one value of a factor."
    ),
    "probability": "A chance between 0 and 1: 0.2 means two in ten.",
    "p value": (
        "How often chance alone would show something at least this unusual. Small means hard to explain by chance; "
        "it is not the probability that nothing is wrong."
    ),
    "adjusted p value": (
        "The same after taking into account how many things were looked at. Look at forty shops and two will look "
        "bad by chance alone."
    ),
    "q value": (
        "The share of false alarms to expect among everything flagged at this line or above. With a rate of 0.05 "
        "about one flag in twenty is a false alarm."
    ),
    "flagged": (
        "Marked for a closer look because the q value is at or below the chosen rate. A flag is a reason to "
        "inspect, not a verdict."
    ),
    "evidence": (
        "How much stands behind a recommendation. Strong: many failures and trucks, a wide range of practice, and "
        "every cross-check agrees. Moderate: enough failures and trucks and a clear effect, but not every cross- "
        "check could be made. Weak: a fit exists, but it could easily be otherwise. None: no fit, so no "
        "recommendation."
    ),
    "regrease": (
        "One stop at which every fitting of the truck is greased until fresh grease shows at all four bearing "
        "cups. A cup that stays dry is a cup that will fail."
    ),
    "regrease interval": "The miles a truck runs from one regrease stop to the next.",
    "regrease gap": "The miles a truck really ran between two regrease stops, whatever the plan said.",
    "practised miles": (
        "How often a truck is really greased: the mean miles of its last five completed gaps, steadied by the "
        "truck's own history and by its shop and class. It is what was done, not what was planned."
    ),
    "trial": (
        "Two regrease intervals run side by side on trucks of one class, which truck gets which decided by lot. It is "
        "the only sure way to tell what an interval does. Simulated on the class's own trucks: how many find the "
        "fitted effect four times in five, and the chance of finding it with every truck of the class."
    ),
    "practised range": (
        "The range of intervals that the fleet has actually tried, with enough trucks and failures at each end. "
        "Nothing is recommended outside it, because nobody here has seen what happens there."
    ),
    "theta": (
        "How strongly the regrease interval acts on failures. 0: no effect. 1: twice the interval, twice the "
        "failure rate at the same age. It is an association seen in the records; other differences between trucks "
        "can hide behind it."
    ),
    "reliability ratio": (
        "How much of the difference in practised miles between trucks is real rather than noise in the gaps. Near "
        "1 is good. Low values make a true effect look smaller than it is."
    ),
    "recommended interval": (
        "The regrease interval that costs least when all uncertainty is taken into account, within the maker's "
        "published interval, the practised range and your own targets. Where the records cannot support a change "
        "it is today's interval."
    ),
    "cost-optimal interval": "The interval at the lowest point of the cost curve before any limit is applied.",
    "flat zone": (
        "All intervals whose cost is within 2 % of the least. Inside it the choice hardly matters, so pick the one "
        "that suits the shop."
    ),
    "limited by": (
        "What kept the recommendation from going further: the maker's published interval, the range the fleet has "
        "practised, a target of your own, one step at a time when lengthening, or too little evidence."
    ),
    "published interval": (
        "The component maker's regrease interval for this work. It comes before anything this tool prints."
    ),
    "current interval": "Today's practice: the median miles between regrease stops over the last 24 months.",
    "saving per truck-year": (
        "What one truck saves in one year after the change, in the fleet's currency, with its range. Below zero: a "
        "loss."
    ),
    "probability better": "The chance, given the records, that the recommended interval costs less than today's.",
    "ownership miles": "How many miles a truck is kept. Costs and failures are added up over it.",
    "replacement": (
        "Changing a part at a set mileage before it fails. It pays only where parts wear out (shape clearly above "
        "1) and a failure costs clearly more than a planned change."
    ),
    "run to failure": (
        "Replace when failed or when an inspection condemns the part: where a planned change would not pay."
    ),
    "observed": "Failures that really happened.",
    "expected": (
        "Failures that the same miles would bring to ordinary trucks of the class, given the age of their parts. "
        "In a forecast: the failures to be counted on."
    ),
    "observed to expected ratio": (
        "Failures that happened divided by failures expected. 2 means twice as many as the class would have."
    ),
    "shrunken ratio": (
        "The ratio of observed to expected, pulled toward 1 when little was expected. One failure where a fifth "
        "was expected is mostly luck; ten where two were expected is not."
    ),
    "u": (
        "How early a part failed against its class: the share of such parts that would have failed by that age. "
        "0.01 means that 99 in 100 last longer."
    ),
    "early failure": (
        "A failure at an age at which few parts of that class fail, or a truck with clearly more failures than its "
        "class."
    ),
    "age": "The use a part had seen when it failed or was last seen.",
    "cluster": (
        "Failures that share something: a lot, a shop, a crew, a clamp tool, a month. The verdict allows for "
        "having looked at everything: found, suspected or nothing."
    ),
    "factor": (
        "Something known when the part was fitted that failures may have in common: lot, shop, crew, clamp tool, "
        "region, month."
    ),
    "lot": "The batch a part came from.",
    "verdict": (
        "What the search for a common cause came to. Found: chance is a poor explanation even after looking at "
        "everything. Suspected: worth an inspection, not proven. Nothing: no more than chance would show."
    ),
    "at risk": "Parts still running that share the suspect property and have not failed.",
    "forecast": (
        "Failures to count on over the months ahead, at each truck's own rate of use, with a range that holds "
        "chance and doubt together."
    ),
    "stock": (
        "The number of parts that covers the failures and the other replacements of the time ahead together, in 95 of "
        "100 cases (or as --service-level says). More planned changes than the records show come on top of it."
    ),
    "back-test": (
        "The forecast made again as of an earlier day from what was known then, and compared with what happened. "
        "The honest test of a forecast."
    ),
    "covered": "Whether what happened fell inside the forecast's range.",
    "wear": "Measured looseness, such as joint play or spline backlash, that grows with miles.",
    "miles to limit": "Miles left until measured wear reaches the limit, with its range.",
    "rate of wear": "How much a measured quantity grows per 1,000 miles.",
    "due": "A task whose miles or date have come, or soon will.",
    "overdue": "A task whose miles or date have passed.",
    "look first": "Not yet due by the plan, but the records say that this unit deserves to be looked at first.",
    "rate per million": (
        "Failures in a million miles (or hours) of running. It allows fair comparison of groups that ran different "
        "miles."
    ),
    "cost per 1,000 miles": (
        "Failures, planned changes and regrease stops, in the fleet's currency, divided by each 1,000 miles run."
    ),
    "contrast": "One class compared with another, with the range of the ratio and how easily chance would make it.",
    "caution": "A reason to read a result with care.",
    "set aside": "A row of a file that could not be used. It is kept with its file, line, column, value and reason.",
    "already loaded": "A row that is in the store from an earlier load. It is not counted twice.",
    "rows read": "All rows found in a file: those loaded, set aside and already loaded add up to it.",
    "disregarded meter": (
        "An odometer reading that cannot be right: it falls, jumps or runs impossibly fast. The row is kept, the "
        "reading is not used, and the miles are worked out from the readings around it."
    ),
    "as of": "The day from which the study looks back. What happened later is not used.",
    "scale": "What lives are measured in: miles, engine hours, days, or turns of the joint under load.",
    "joint cycles": (
        "Turns of the joint: miles times tire turns per mile times axle ratio. Lets trucks with different axles be "
        "compared."
    ),
    "reference limit": (
        "A limit for angles, accelerations or speeds with where it stands. A starting point: a fleet puts the figures "
        "of its maker in its place under [[driveline.limits]] of fleet.toml, with their source."
    ),
    "change of angle": (
        "How much wider or narrower a joint angle has to be to come within a limit, or for the whole line to come "
        "within all of them. Measure again after any change."
    ),
    "shaft turns": "Turns of the shaft, by mile or by minute: tire turns per mile times axle ratio.",
    "share of turns": "Which part of all shaft turns a torque has: a share of turns, not of time or miles.",
    "share of life used": (
        "Which part of the joint life that a duty uses up goes to one torque. Rare high torques often use most of it."
    ),
    "load ratio": (
        "What load alone would make of the life of a class against the reference: by turns per mile, by torque and by "
        "angle. 0.5 is half the life. What is left to explain is the life in the records over it."
    ),
    "share explained": (
        "How much of a class difference in life (on a log scale) load accounts for. Above 100 %: load alone would part "
        "the classes further than they are."
    ),
    "exponent": (
        "How strongly life follows severity from truck to truck: 1 as the load-life rule has it, 0 not at all."
    ),
    "speed swing": "How much the driven shaft runs faster and slower twice a turn, from slowest to fastest.",
    "couple": (
        "The bending that a joint under torque puts on the shafts before and behind it twice a turn; it rocks gearbox, "
        "center bearing and axle."
    ),
    "severity": (
        "How much joint life a duty uses against another: torque to the power 10/3 (ISO 281, roller contact) times "
        "joint angle, added up by share of shaft turns. 2 means half the life. Per mile it takes in turns per mile too."
    ),
    "severity cycles": (
        "Joint turns weighted by severity: a life scale on which classes would last alike if load were all that "
        "parted them."
    ),
    "severity covariate": (
        "Severity put into the life curves, its strength taken from trucks of one class that differ in load: what is "
        "left of a class difference after it."
    ),
    "equal torque": (
        "The steady torque that would use as much joint life as the whole mix of torques: (sum of share of turns times "
        "torque to the power 10/3) to the power 3/10."
    ),
    "joint angle": "The angle between the shafts before and behind a joint, measured to a quarter of a degree.",
    "phase": "How far the yokes at the two ends of one shaft are twisted against each other: in line is 0.",
    "angle left": (
        "The one joint angle that would shake the last shaft as much as all joints of the line together; in phase and "
        "equal, they cancel."
    ),
    "torsional acceleration": (
        "How fast the shaft behind the last joint speeds up and slows down twice a turn, in rad/s²."
    ),
    "inertial acceleration": "The same for the shaft between two joints: what one joint angle alone makes of it.",
    "critical speed": (
        "The speed at which a tube whirls like a skipping rope. Worked out for a uniform steel tube on stiff supports; "
        "a real line on soft mounts whirls earlier."
    ),
    "cups purged": (
        "At how many of the four bearing cups fresh grease came out. Fewer than four means a cup may be running dry."
    ),
    "found at inspection": (
        "The failure was found in the shop. It happened some time between the last good look and this one."
    ),
    "with mate": "A part changed because its mate failed: a suspension, not a failure.",
    "planned": "A part changed on purpose before it failed.",
    "campaign": "Parts changed in a planned action over many trucks, whatever their condition.",
    "zero length": "A part that was changed on the day it was fitted. Counted, but no curve can use it.",
    "negative control": (
        "A part that grease cannot reach, such as a center bearing. If it seems to depend on greasing too, "
        "something else is at work."
    ),
    "E-value": (
        "How strong a hidden cause would have to be, tied to both greasing and failing, to explain the effect "
        "away. Near 1: a slight one would do."
    ),
    "within shops": "The effect seen by comparing trucks of the same shop only.",
    "between shops": (
        "The effect seen by comparing whole shops. Shops differ in much else than greasing, so it is the weaker "
        "witness."
    ),
    "within trucks": "The effect seen in trucks whose own practice changed.",
    "resampling trucks": (
        "Repeating the whole sum on many imagined fleets drawn from your own trucks. How much the answers differ "
        "is the uncertainty."
    ),
    "method": "How the numbers in this row were worked out.",
    "policy": "What is advised for a part: replace at a set age, or run to failure with inspection.",
    "basis": "What a number rests on: files, day, settings, lives and failures.",
    "kaplan-meier": (
        "The share of parts still good, counted straight from the records without assuming any curve. A fitted "
        "curve should follow its steps. Kaplan and Meier, Journal of the American Statistical Association, 1958."
    ),
    "probability paper": (
        "A picture on which a Weibull life curve is a straight line. Points that bend away from it tell of mixed "
        "causes."
    ),
    "joint": "A universal joint: a cross in four bearing cups that lets a turning shaft bend.",
    "slip spline": (
        "The sliding coupling that lets the shaft change length. Its two halves wear together and are replaced as "
        "a pair."
    ),
    "boot": (
        "The rubber sleeve over the slip spline: grease in, water out. A leaking boot is an early sign of a spline "
        "failure."
    ),
    "center bearing": (
        "The bearing that carries the middle of a two-piece shaft. It is not greased here, so greasing should not "
        "matter to it."
    ),
    "truck": "One truck of the fleet, known by its unit number.",
    "cumulative incidence": (
        "The share of parts that have failed in one particular way by a given age, when a part can also fail in "
        "other ways first."
    ),
    "failure mode": (
        "The way in which a part failed, such as worn needles, a torn boot or a slipped clamp. Grease can bear on "
        "some modes and not on others."
    ),
    "successive parts": (
        "The second and later parts at a place against the first. Above 1: replacements fail sooner than the parts "
        "the truck came with, which speaks of fitting or of something worn around them."
    ),
    "trend": (
        "Whether failures at a place come ever faster as the truck gets older. Above 1: they do, and a new part "
        "does not make the place as good as new."
    ),
    "consequence": (
        "What one failure brings after it. A boot that leaks lets water in, and the spline under it rusts: so "
        "splines are followed from the day their boot failed."
    ),
    "combination": (
        "Two or more things together, such as one shop with one tool. It is named only where it explains clearly "
        "more than the best single one does on trucks that were not used to find it."
    ),
}
