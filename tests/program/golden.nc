(Job: marrow.png)
(Operation: roughing)
(Cutter: flat 6.35 mm)
(Stock: 140 mm x 110 mm x 18 mm, softwood)
(Zero: X0 Y0 near left corner of the relief, Z0 stock top)
(Spindle: 16000 rev/min)
(Time: about 13 min)
(Units: millimetres, feeds in mm/min)
(Caution: eye and ear protection on, dust extraction running, hands,)
(         sleeves and hair clear)
(Caution: guards in place, work and clamps secure, clamps clear of the)
(         cutter, never leave it unattended)
(Caution: run it once above the stock with the spindle off before the)
(         first cut)
(Caution: the first move goes straight up or down to clearance height:)
(         have the cutter over the stock, clear of all clamps)
(Caution: the machine's manual, local rules and whoever trains you come)
(         first)
(Caution: resin gums the flutes, clean them)
G17 G21 G90 G94 G54
G0 Z5.0
S16000 M3
G4 P3.0
X2.0 Y3.0
Z1.0
G1 X12.0 Z-0.5 F600
Y8.25 F1800
X4.0 Z0.0
G0 Z5.0
X30.0
G1 Z-1.234 F450.5
X40.0 F1800
G0 Z5.0
M5
M2
