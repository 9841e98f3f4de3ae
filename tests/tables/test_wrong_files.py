"""Wrong mapping files: each is explained with file, line, key, what is wrong and what would be right."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.errors import TableError
from bridge.settings import shipped_mappings
from bridge.site import load_tables
from tests.tables.shipped_tables import POLICY, ZONE, copied, spoiled

WRONG = [
    (
        "strip_types/sorrel-14.yaml",
        "pad: albumin_creatinine",
        "pad: albumin",
        "  - pad: albumin\n    conventional: {property: MRto",
        "ratios[0].pad: 'albumin' is no ratio in the catalogue. Use one of: albumin_creatinine, protein_creatinine.",
    ),
    (
        "strip_types/sedge-5.yaml",
        "pads:\n",
        'ratios:\n  - pad: protein_creatinine\n    conventional: {property: MRto, unit: "mg/g{creat}", decimals: 0}\n    abnormal: ">=200"\npads:\n',
        4,
        "ratios[0].pad: protein_creatinine cannot be computed: creatinine is not on this strip. Remove the ratio: none is ever computed from grades.",
    ),
    (
        "strip_types/sorrel-14.yaml",
        'property: MRto, unit: "mg/g{creat}", decimals: 0}\n    si: {property: Ratio',
        'property: Ratio, unit: "mg/g{creat}", decimals: 0}\n    si: {property: Ratio',
        "    conventional: {property: Ratio",
        "ratios[0].conventional.property: A computed ratio is MRto here, not Ratio. Write property: MRto.",
    ),
    (
        "strip_types/sorrel-14.yaml",
        'unit: "mg/g{creat}"',
        'unit: "mg/g"',
        '"mg/g"',
        "ratios[0].conventional.unit: The unit 'mg/g' is not one that Padpost sends. Use one of: mg/dL, mg/L, g/L, mmol/L, umol/L, /uL, 10*6/L, [EU]/dL, [pH], mg/g{creat}, mg/mmol{creat}, g/mmol{creat}, 1; or add it to units in catalogue.yaml, with a source.",
    ),
    (
        "strip_types/sorrel-14.yaml",
        'unit: "mg/mmol{creat}", decimals: 1',
        'unit: "g/mmol{creat}", decimals: 1',
        '"g/mmol{creat}"',
        "ratios[0].si.unit: The unit 'g/mmol{creat}' is not one of albumin_creatinine as Ratio. Use one of: mg/mmol{creat}.",
    ),
    (
        "strip_types/sorrel-14.yaml",
        'abnormal: ">=30"',
        'abnormal: "30"',
        'abnormal: "30"',
        "ratios[0].abnormal: '30' does not say from where on the ratio is abnormal. Write it as \">=30\", in the conventional unit.",
    ),
    (
        "strip_types/sorrel-14.yaml",
        "decimals: 0",
        "decimals: 5",
        "decimals: 5",
        "ratios[0].conventional.decimals: Input should be less than or equal to 4. It says 5. Correct the value.",
    ),
    (
        "catalogue.yaml",
        "ratio: {of: albumin, to: creatinine}",
        "ratio: {of: albumine, to: creatinine}",
        "ratio: {of: albumine",
        "pads.albumin_creatinine.ratio.of: The pad 'albumine' is not in the catalogue. Name two other pads.",
    ),
    (
        "catalogue.yaml",
        'grams_per_mole: "113.1181", source: "creatinine\'s',
        'grams_per_mole: "131.1181", source: "creatinine\'s',
        "131.1181",
        "pads.albumin_creatinine.molar_mass.grams_per_mole: The molar mass of albumin_creatinine is not that of creatinine, which it is a ratio to. Write that of creatinine.",
    ),
    (
        "strip_types/sorrel-14.yaml",
        '{word: "amber", abnormal: false}',
        '{word: "straw", abnormal: false}',
        8,
        "pads[0].ladder[2].word: The word 'straw' of colour is not one of the catalogue's. Use each of these once: colourless, yellow, amber, orange, red, brown, blue, green.",
    ),
    (
        "strip_types/sorrel-14.yaml",
        '{word: "amber", abnormal: false}',
        '{word: "yellow", abnormal: false}',
        8,
        "pads[0].ladder[2].word: The word 'yellow' of colour stands twice. Use each of these once: colourless, yellow, amber, orange, red, brown, blue, green.",
    ),
    (
        "strip_types/sorrel-14.yaml",
        '{word: "amber", abnormal: false}',
        '{word: "Amber!", abnormal: false}',
        8,
        "pads[0].ladder[2].word: String should match pattern '^[a-z][a-z0-9 -]{0,29}$'. It says 'Amber!'. Correct the value.",
    ),
    (
        "strip_types/sorrel-14.yaml",
        '{conventional: "110", abnormal: false}',
        '{word: "clear", abnormal: false}',
        24,
        "pads[2].ladder[2]: The values of creatinine are grades or numbers, not words. Remove the word.",
    ),
    (
        "strip_types/sorrel-14.yaml",
        "  - pad: clarity\n    ladder:",
        '  - pad: clarity\n    conventional: {property: Type, unit: "1"}\n    ladder:',
        14,
        "pads[1].conventional.property: A type (Type) is a word and has no numbers. Name what the numbers of clarity are: none.",
    ),
    (
        "profiles/wren.yaml",
        '    "hazy": ["hazy"]\n',
        "",
        51,
        "word_texts: The profile has no text for the word 'hazy', which clarity prints. Add clarity: {\"hazy\": [...]} with each printed text.",
    ),
    (
        "profiles/wren.yaml",
        '    "hazy": ["hazy"]\n',
        '    "hazy": ["clear"]\n',
        40,
        "words: clarity: clear and hazy are both printed as 'clear'. Give each step words of its own.",
    ),
    (
        "profiles/wren.yaml",
        '    "hazy": ["hazy"]\n',
        '    "hazy": ["hazy"]\n    "foamy": ["foamy"]\n',
        63,
        "word_texts.clarity.foamy: No strip type of this profile has clarity with the word 'foamy'. Use one of: clear, cloudy, hazy, turbid.",
    ),
    (
        "profiles/wren.yaml",
        '    "hazy": ["hazy"]\n',
        '    "hazy": ["hazy"]\n  protein:\n    "foamy": ["foamy"]\n',
        64,
        "word_texts.protein.foamy: No strip type of this profile has protein with the word 'foamy'. Remove protein: its values are no words, or it is on no strip.",
    ),
    (
        "profiles/wren.yaml",
        '"hazy": ["hazy"]',
        '"hazy": [" hazy"]',
        62,
        "word_texts.clarity.hazy: ' hazy' has outer or double blanks, which are not compared. Write it with single blanks.",
    ),
    (
        "profiles/heron.yaml",
        "reading: visual",
        "reading: eye",
        3,
        "reading: Input should be 'automated' or 'visual'. It says 'eye'. Correct the value.",
    ),
    (
        "catalogue.yaml",
        "visual_panel:\n  code: 24357-6",
        "visual_panel:\n  code: 24357-7",
        "code: 24357-7",
        "visual_panel.code: '24357-7' is not a LOINC code: its check digit is wrong. Look the code up again; with these digits it would be 24357-6.",
    ),
    (
        "catalogue.yaml",
        'code: PP-COL-R, text: "Red"',
        'code: PP-COL-O, text: "Red"',
        'PP-COL-O, text: "Red"',
        "pads.colour.words.red.code: The local code PP-COL-O stands twice: for 'orange' of colour and for 'red' of colour. Give 'red' a code of its own.",
    ),
    (
        "catalogue.yaml",
        'code: PP-COL-R, text: "Red"',
        'code: PP-COL-R, text: "Orange"',
        'PP-COL-R, text: "Orange"',
        "pads.colour.words.red.text: Two words have the text 'Orange': orange and red. A receiver could not tell them apart; give each a text of its own.",
    ),
    (
        "catalogue.yaml",
        '{property: Type, method: none, code: 32167-9, scale: "Nom"',
        '{property: PrThr, method: none, code: 32167-9, scale: "Ord"',
        '    words:\n      "clear": {code',
        "pads.clarity.words: clarity has words, but no code of the property Type. Add the code, or remove the words.",
    ),
    (
        "catalogue.yaml",
        '{property: PrThr, method: none, code: 29276-3, scale: "Ord"',
        '{property: Type, method: none, code: 29276-3, scale: ""',
        "code: 29276-3",
        "pads.calcium.codes[0].property: The name of 29276-3 says [Presence], which is the property PrThr, not Type. Write property: PrThr, or look the code up again.",
    ),
    (
        "catalogue.yaml",
        '{property: Type, method: none, code: 5778-6, scale: "Nom"',
        '{property: Type, method: none, code: 5778-6, scale: "Ord"',
        "code: 5778-6",
        "pads.colour.codes[0].scale: A code of the property Type cannot have the scale Ord. LOINC 2.82 has Nom.",
    ),
    (
        "catalogue.yaml",
        "    units: {}\n    words:",
        '    units: {Type: ["1"]}\n    words:',
        'units: {Type: ["1"]}',
        "pads.colour.units.Type: A type (Type) is a word and has no unit. Remove it: it is sent as a coded value.",
    ),
    (
        "catalogue.yaml",
        "code: 53328-1",
        "code: 53328-2",
        "code: 53328-2",
        "pads.glucose.codes[1].code: '53328-2' is not a LOINC code: its check digit is wrong. Look the code up again; with these digits it would be 53328-1.",
    ),
    (
        "catalogue.yaml",
        "code: 53328-1",
        "code: 50555-2",
        "property: MCnc, method: automated, code: 50555-2",
        "pads.glucose.codes[1].code: The code 50555-2 stands twice: for glucose and for glucose. One code means one thing; remove the wrong one.",
    ),
    (
        "catalogue.yaml",
        "property: MCnc, method: automated, code: 53328-1",
        "property: MCnc, method: none, code: 53328-1",
        "    codes:\n      - {property: PrThr, method: automated, code: 50555-2",
        "pads.glucose.codes: The codes of glucose are not in order of preference. List automated codes first, then strip, then none.",
    ),
    (
        "catalogue.yaml",
        "property: SCnc, method: automated, code: 59156-0",
        "property: MCnc, method: automated, code: 59156-0",
        "code: 59156-0",
        "pads.glucose.codes[2]: Two codes have the property MCnc and the method automated. Keep the one that is meant.",
    ),
    (
        "catalogue.yaml",
        'unit: "[pH]"',
        'unit: "pH"',
        'low: "4.5"',
        "pads.ph.expected.low: The unit 'pH' of the expected range is not one of the pad's units. Use one of: [pH].",
    ),
    (
        "catalogue.yaml",
        "sense: more",
        "sence: more",
        "sence: more",
        "pads.glucose.sence: The key 'sence' is unknown here. Did you mean 'sense'?",
    ),
    (
        "strip_types/sedge-5.yaml",
        "pad: protein",
        "pad: proteine",
        33,
        "pads[4].pad: The pad 'proteine' is not in the catalogue. Use one of: albumin, albumin_creatinine, ascorbic_acid, bilirubin, blood, calcium, clarity, colour, creatinine, glucose, ketones, leukocytes, nitrite, ph, protein, protein_creatinine, specific_gravity, urobilinogen.",
    ),
    (
        "strip_types/sedge-5.yaml",
        "pad: protein",
        "pad: glucose",
        33,
        "pads[4].pad: The pad 'glucose' is on the strip twice. Keep one.",
    ),
    (
        "strip_types/sedge-5.yaml",
        '"80"',
        "80",
        26,
        'pads[2].ladder[1].conventional: write this in quotes: "1.010" keeps its zero, and "yes" and "12:30" stay text. It says 80. Correct the value.',
    ),
    (
        "strip_types/sedge-5.yaml",
        '"80"',
        '"eighty"',
        26,
        'pads[2].ladder[1].conventional: a number is written as "60", "1.010" or ">=1000". It says \'eighty\'. Correct the value.',
    ),
    (
        "strip_types/sedge-5.yaml",
        'conventional: "80", si: "4.4"',
        'conventional: "80"',
        26,
        "pads[2].ladder[1]: The step has a number in one unit system only. Give it the other system's number too, or neither.",
    ),
    (
        "strip_types/sedge-5.yaml",
        'conventional: "80", si',
        'conventional: "800", si',
        27,
        "pads[2].ladder[2]: The number 240 stands above 800. List the steps from low to high, each number once.",
    ),
    (
        "strip_types/sedge-5.yaml",
        '{grade: "1+", conventional: "35", si: "35"',
        '{grade: "3+", conventional: "35", si: "35"',
        19,
        "pads[1].ladder[2]: The grade '2+' stands above '3+'. List the steps from low to high, each grade once.",
    ),
    (
        "strip_types/sedge-5.yaml",
        'unit: "mmol/L"',
        'unit: "mmol/l"',
        23,
        "pads[2].si.unit: The unit 'mmol/l' is refused: one spelling of the litre is in use, LOINC's. Write mmol/L.",
    ),
    (
        "strip_types/sedge-5.yaml",
        'property: SCnc, unit: "mmol/L"',
        'property: NCnc, unit: "mmol/L"',
        23,
        "pads[2].si.property: The catalogue has no NCnc code for glucose. Use one of: MCnc, PrThr, SCnc.",
    ),
    (
        "strip_types/pebble-2.yaml",
        '{conventional: "15"',
        '{grade: "normal", conventional: "15"',
        6,
        "pads[0].ladder: The catalogue has no code for a grade of creatinine. Give the steps numbers and no grade.",
    ),
    (
        "strip_types/sedge-5.yaml",
        "  - pad: nitrite\n    ladder:",
        '  - pad: nitrite\n    si: {property: MCnc, unit: "mg/dL"}\n    ladder:',
        30,
        "pads[3].si: SI values stand without conventional ones. Declare the conventional scale too.",
    ),
    (
        "strip_types/sedge-5.yaml",
        '{grade: "positive", abnormal: true}',
        "{abnormal: true}",
        32,
        "pads[3].ladder[1]: The step has neither a grade nor a word nor a conventional number. Give it one of them.",
    ),
    (
        "strip_types/sedge-5.yaml",
        '{grade: "positive", abnormal: true}',
        '{grade: "positive", conventional: "5", abnormal: true}',
        32,
        "pads[3].ladder[1].conventional: The step has a number, but the pad has no scale for it. Declare conventional: property and unit.",
    ),
    (
        "profiles/moss.yaml",
        '"2+": ["mäßig"]',
        '"2+": ["wenig"]',
        35,
        "words: ketones: 1+ and 2+ are both printed as 'wenig'. Give each step words of its own.",
    ),
    (
        "profiles/brook.yaml",
        "GLUC: glucose",
        "GLUC: glucos",
        22,
        "labels.GLUC: The pad 'glucos' is on none of this profile's strip types. Did you mean 'glucose'?",
    ),
    (
        "profiles/brook.yaml",
        "  GLUC: glucose\n",
        "",
        21,
        "labels: No label names the pad 'glucose' of quill-10. Add its printed label: LABEL: glucose.",
    ),
    (
        "profiles/brook.yaml",
        "S5: sedge-5",
        "S5: sedge-6",
        34,
        "strip_types.S5: There is no strip type 'sedge-6'. Did you mean 'sedge-5'?",
    ),
    (
        "profiles/brook.yaml",
        'patient_id: "P.4"',
        'patient: "P.4"',
        62,
        "lis2.fields.patient: 'patient' is not something a layout can find. Did you mean 'patient_id'?",
    ),
    (
        "profiles/brook.yaml",
        'patient_id: "P.4"',
        'patient_id: "P4"',
        62,
        'lis2.fields.patient_id: \'P4\' is no place in a record. Write record.field or record.field.component: "O.3", "R.3.4".',
    ),
    (
        "profiles/brook.yaml",
        '"/uL": ["/uL"]',
        '"/uL": []',
        45,
        'units: The profile says nothing about how the unit \'/uL\' is printed. Add "/uL": [...] with each printed text, or [""] if it is not printed.',
    ),
    (
        "profiles/brook.yaml",
        '"negative": ["NEG"]',
        '"negative": []',
        36,
        "words: The profile has no word for the grade 'negative', which ketones prints. Add \"negative\": [...] with each printed word.",
    ),
    (
        "profiles/brook.yaml",
        "zone: site",
        "zone: Lisbon",
        6,
        "zone: No time zone is called 'Lisbon'. Use site, or a name such as Europe/Lisbon.",
    ),
    (
        "profiles/brook.yaml",
        '"%Y%m%d%H%M%S"',
        '"%y%m%d%H%M%S"',
        8,
        "date_format: '%y%m%d%H%M%S' does not name day, month and four-digit year. Use %Y, %m and %d: a guessed century is a guessed date.",
    ),
    (
        "profiles/brook.yaml",
        '"(?P<mode>[A-Z])(?P<number>[0-9]{5})"',
        '"(?P<mode>[A-Z])([0-9]{5})"',
        10,
        "numbers.pattern: The pattern has no group 'number'. Name it: (?P<number>...).",
    ),
    (
        "profiles/brook.yaml",
        '"(?P<mode>[A-Z])(?P<number>[0-9]{5})"',
        '"(?P<mode>[A-Z])(?P<number>([0-9]+)+)"',
        10,
        "numbers.pattern: '(?P<mode>[A-Z])(?P<number>([0-9]+)+)' repeats a group that holds a repetition. Write the repetition once, with a limit such as {1,20}.",
    ),
    ("profiles/brook.yaml", '{word: "S",', '{word: "N",', 16, "numbers.modes[1].word: The word 'N' has two meanings. Keep one."),
    (
        "profiles/brook.yaml",
        "layout: lis2",
        "layout: slip",
        59,
        "lis2: The section 'lis2' stands beside layout: slip. Give exactly the section 'slip'.",
    ),
    (
        "profiles/brook.yaml",
        "charset: ascii",
        "charset: guess",
        5,
        "charset: Input should be 'ascii', 'latin-1', 'cp1252', 'cp437', 'cp850', 'utf-8' or 'iso8859-15'. It says 'guess'. Correct the value.",
    ),
    (
        "profiles/brook.yaml",
        'printed: ["{value}"]',
        'printed: ["{number}"]',
        35,
        "printed: '{number}' is no form of a value. Make it of {grade}, {value} and {unit}.",
    ),
    (
        "profiles/brook.yaml",
        '    mark: "R.7"\n',
        "",
        54,
        "marks: The layout finds no mark. Give both marks and a place of mark, or neither.",
    ),
    (
        "profiles/tern.yaml",
        '"pad:Creatin."',
        '"pad:Albumina"',
        57,
        "delimited.columns[23]: The column 'pad:Albumina' stands twice. Name one of them, and \"-\" for the other.",
    ),
    (
        "profiles/tern.yaml",
        ', "Observações"]',
        "]",
        56,
        "delimited.header: The header has 24 cells, and 25 columns are named. Name as many columns as the header has cells.",
    ),
    (
        "profiles/tern.yaml",
        'delimiter: ";"',
        'delimiter: "a"',
        54,
        "delimited.delimiter: 'a' cannot be the delimiter. Use one ASCII sign or a tab.",
    ),
    (
        "profiles/alder.yaml",
        "(?P<comment>.{0,80})",
        "(?P<remark>.{0,80})",
        66,
        "slip.lines[7].pattern: 'remark' is not something a layout can find. Did you mean 'mark'?",
    ),
    (
        "profiles/alder.yaml",
        "(?P<comment>.{0,80})",
        "(?P<comment>.{0,80}",
        66,
        "slip.lines[7].pattern: 'Note {0,2}(?P<comment>.{0,80}' is not a regular expression: missing ), unterminated subpattern at position 10. Mend it; python's re module says how.",
    ),
    (
        "profiles/moss.yaml",
        "series: fall",
        "series: daily",
        10,
        "numbers.series: Numbers restart daily, but no date is printed. Use series: fall, or read the date.",
    ),
    ("profiles/moss.yaml", "title:", "tittle:", 1, "tittle: The key 'tittle' is unknown here. Did you mean 'title'?"),
    (
        "catalogue.yaml",
        "code: LA11841-6",
        "code: LA11841-7",
        "code: LA11841-7",
        "answers.1+.code: 'LA11841-7' is not a LOINC answer code: its check digit is wrong. Look the code up again; with these digits it would be LA11841-6.",
    ),
    (
        "catalogue.yaml",
        "code: LA11841-6",
        "code: 11841-2",
        "code: 11841-2",
        "answers.1+.code: '11841-2' is not a LOINC answer code: it has another form. Write LA, digits, a hyphen and the check digit.",
    ),
    (
        "catalogue.yaml",
        "code: LA11841-6",
        "code: LA11842-4",
        '"2+": {code',
        "answers.2+.code: The answer LA11842-4 stands twice: for 1+ and for 2+. A receiver could not tell the two grades apart; look the wrong one up again.",
    ),
    (
        "catalogue.yaml",
        "code: 53328-1",
        "code: mass",
        "code: mass",
        "pads.glucose.codes[1].code: 'mass' is not a LOINC code: it has another form. Write digits, a hyphen and the check digit.",
    ),
    (
        "catalogue.yaml",
        "code: 53328-1",
        "code: 50556-0",
        "automated, code: 50556-0",
        "pads.glucose.codes[1].code: The code 50556-0 is the panel's, and stands for glucose too. Look up the code of the pad itself.",
    ),
    (
        "catalogue.yaml",
        "local: {code: PP-BIL",
        "local: {code: PP-GLU",
        "PP-GLU, text: Bili",
        "pads.bilirubin.local.code: The local code PP-GLU stands twice: for glucose and for bilirubin. Give bilirubin a code of its own.",
    ),
    (
        "catalogue.yaml",
        'units: {MCnc: ["mg/dL"], SCnc: ["umol/L"], ACnc: ["[EU]/dL"]}',
        'units: {MCnc: ["mg/dL"], SCnc: ["umol/L"], ACnc: ["EU/dL"]}',
        '["EU/dL"]',
        "pads.urobilinogen.units.ACnc[0]: The unit 'EU/dL' is refused: UCUM reads it as exa-enzyme-units per decilitre. Write [EU]/dL.",
    ),
    (
        "catalogue.yaml",
        'units: {LsCnc: ["[pH]"]}',
        'units: {LsCnc: ["[pH]", "pH"]}',
        'LsCnc: ["[pH]", "pH"]',
        "pads.ph.units.LsCnc[1]: The unit 'pH' is refused: UCUM reads it as picohenry. Write [pH].",
    ),
    (
        "catalogue.yaml",
        'units: {MCnc: ["mg/dL"], SCnc: ["mmol/L"]}',
        'units: {MCnc: ["mg/dL"], SCnc: ["mmol/mL"]}',
        "mmol/mL",
        "pads.glucose.units.SCnc[0]: The unit 'mmol/mL' is not one that Padpost sends. Use one of: mg/dL, mg/L, g/L, mmol/L, umol/L, /uL, 10*6/L, [EU]/dL, [pH], mg/g{creat}, mg/mmol{creat}, g/mmol{creat}, 1; or add it to units in catalogue.yaml, with a source.",
    ),
    (
        "catalogue.yaml",
        'units: {MCnc: ["mg/dL"], SCnc: ["mmol/L"]}',
        'units: {MCnc: ["mmol/L"], SCnc: ["mmol/L"]}',
        '{MCnc: ["mmol/L"]',
        "pads.glucose.units.MCnc[0]: The unit 'mmol/L' measures SCnc, not MCnc. Use one of: mg/dL, mg/L, g/L.",
    ),
    (
        "catalogue.yaml",
        'units: {LsCnc: ["[pH]"]}',
        'units: {LsCnc: ["[pH]"], PrThr: ["1"]}',
        'PrThr: ["1"]',
        "pads.ph.units.PrThr: A presence (PrThr) is a grade and has no unit. Remove it: it is sent as a coded value.",
    ),
    (
        "catalogue.yaml",
        'units: {LsCnc: ["[pH]"]}',
        'units: {LsCnc: ["[pH]"], SCnc: ["mmol/L"]}',
        'LsCnc: ["[pH]"], SCnc',
        "pads.ph.units.SCnc: ph has units for SCnc, but no code for it. Add the code, or remove the units.",
    ),
    (
        "catalogue.yaml",
        '    molar_mass: {formula: "C6H12O6"',
        '    # molar_mass: {formula: "C6H12O6"',
        'units: {MCnc: ["mg/dL"], SCnc: ["mmol/L"]}',
        'pads.glucose.units: glucose is measured as mass and as substance, but its molar mass is not given. Add molar_mass: {formula: ..., grams_per_mole: "...", source: ...}, so that the two can be compared.',
    ),
    (
        "catalogue.yaml",
        'grams_per_mole: "180.1562"',
        "grams_per_mole: 180.1562",
        "grams_per_mole: 180.1562",
        'pads.glucose.molar_mass.grams_per_mole: write this in quotes: "1.010" keeps its zero, and "yes" and "12:30" stay text. It says 180.1562. Correct the value.',
    ),
    (
        "catalogue.yaml",
        'text: "Glucose [Mass/volume] in Urine by Automated',
        'text: "Glucose [Presence] in Urine by Automated',
        "code: 53328-1",
        "pads.glucose.codes[1].property: The name of 53328-1 says [Presence], which is the property PrThr, not MCnc. Write property: PrThr, or look the code up again.",
    ),
    (
        "catalogue.yaml",
        'code: 53328-1, scale: "SemiQn"',
        'code: 53328-1, scale: "Ord"',
        "code: 53328-1",
        "pads.glucose.codes[1].scale: A code of the property MCnc cannot have the scale Ord. LOINC 2.82 has SemiQn for a strip, Qn where no method is named.",
    ),
    (
        "catalogue.yaml",
        'code: 50555-2, scale: "Ord"',
        'code: 50555-2, scale: "SemiQn"',
        "code: 50555-2",
        "pads.glucose.codes[0].scale: A code of the property PrThr cannot have the scale SemiQn. LOINC 2.82 has Ord.",
    ),
    (
        "catalogue.yaml",
        'code: 5792-7, scale: "SemiQn", status: "ACTIVE", text: "Glucose',
        'code: 20406-5, scale: "SemiQn", status: "ACTIVE", text: "Deprecated Glucose',
        "code: 20406-5",
        "pads.glucose.codes[4].code: LOINC has deprecated 20406-5: its name says so. Look up what replaces it in LOINC 2.82.",
    ),
    (
        "catalogue.yaml",
        'code: 5792-7, scale: "SemiQn", status: "ACTIVE"',
        'code: 5792-7, scale: "SemiQn", status: "DEPRECATED"',
        "code: 5792-7",
        "pads.glucose.codes[4].status: LOINC has deprecated 5792-7: its status says so. Look up what replaces it in LOINC 2.82.",
    ),
    (
        "catalogue.yaml",
        'code: 5792-7, scale: "SemiQn", status: "ACTIVE"',
        'code: 5792-7, scale: "SemiQn", status: "active"',
        "code: 5792-7",
        "pads.glucose.codes[4].status: Input should be 'ACTIVE', 'TRIAL', 'DISCOURAGED', 'DEPRECATED' or ''. It says 'active'. Correct the value.",
    ),
    (
        "catalogue.yaml",
        'low: "1.002", high: "1.035"',
        'low: "1.035", high: "1.002"',
        'low: "1.035"',
        "pads.specific_gravity.expected.low: The expected range of specific_gravity ends at 1.002, below its beginning 1.035. Swap the two.",
    ),
    (
        "catalogue.yaml",
        "code: PP-GLU, text",
        "code: PP-GLU, txet",
        "txet",
        "pads.glucose.local.txet: The key 'txet' is unknown here. Did you mean 'text'?",
    ),
    (
        "strip_types/sedge-5.yaml",
        'si: "4.4"',
        'si: "4.9"',
        26,
        "pads[2].ladder[1].si: 80 mg/dL and 4.9 mmol/L are not one concentration. 80 mg/dL is 4.441 mmol/L (molar mass 180.1562 g/mol): compare both numbers with the strip's own sheet.",
    ),
    (
        "strip_types/sedge-5.yaml",
        'si: "0.35"',
        'si: "0.53"',
        38,
        "pads[4].ladder[1].si: 35 mg/dL and 0.53 g/L are not one concentration. 35 mg/dL is 0.35 g/L: compare both numbers with the strip's own sheet.",
    ),
    (
        "strip_types/sedge-5.yaml",
        'conventional: "80", si: "4.4"',
        'conventional: ">=80", si: ">=4.4"',
        26,
        'pads[2].ladder[1].conventional: >=80 is open, but is not the highest step. Write "80": only the highest step of a ladder has no end.',
    ),
    (
        "strip_types/sedge-5.yaml",
        'conventional: ">=720", si: ">=40.0"',
        'conventional: "<=720", si: "<=40.0"',
        28,
        'pads[2].ladder[3].conventional: <=720 is open, but is not the lowest step. Write "720": only the lowest step of a ladder has no end.',
    ),
    (
        "strip_types/sedge-5.yaml",
        'conventional: ">=720", si: ">=40.0"',
        'conventional: ">=720", si: "40.0"',
        28,
        'pads[2].ladder[3].si: The step is >= in one unit system and = in the other. Write ">=40.0", or mend the conventional number.',
    ),
    (
        "strip_types/sedge-5.yaml",
        'si: "13.3"',
        'si: "53.3"',
        28,
        "pads[2].ladder[3]: The number 40.0 stands above 53.3. List the steps from low to high, each number once.",
    ),
    (
        "strip_types/sedge-5.yaml",
        'property: MCnc, unit: "mg/dL"',
        'property: PrThr, unit: "mg/dL"',
        22,
        "pads[2].conventional.property: A presence (PrThr) is a grade and has no numbers. Name what the numbers of glucose are: MCnc, SCnc.",
    ),
    (
        "strip_types/sedge-5.yaml",
        'conventional: {property: LsCnc, unit: "[pH]"}',
        'conventional: {property: LsCnc, unit: "pH"}',
        5,
        "pads[0].conventional.unit: The unit 'pH' is refused: UCUM reads it as picohenry. Write [pH].",
    ),
    (
        "strip_types/sedge-5.yaml",
        'conventional: {property: LsCnc, unit: "[pH]"}',
        'conventional: {property: LsCnc, unit: "1"}',
        5,
        "pads[0].conventional.unit: The unit '1' is not one of ph as LsCnc. Use one of: [pH].",
    ),
    (
        "strip_types/sedge-5.yaml",
        'conventional: "5.2", abnormal: false',
        'conventional: "5.2", abnormal: maybe',
        7,
        "pads[0].ladder[0].abnormal: Input should be a valid boolean, unable to interpret input. It says 'maybe'. Correct the value.",
    ),
    (
        "strip_types/sedge-5.yaml",
        'grade: "2+", conventional: "110"',
        'grade: "++", conventional: "110"',
        19,
        "pads[1].ladder[2].grade: Input should be 'negative', 'normal', 'trace', '1+', '2+', '3+', '4+' or 'positive'. It says '++'. Correct the value.",
    ),
    (
        "strip_types/larch-9.yaml",
        'si: {property: MCnc, unit: "mg/L"}',
        'si: {property: NCnc, unit: "/uL"}',
        14,
        "pads[1].si: Nothing joins MCnc in mg/dL and NCnc in /uL. Declare one of them: the two are different tests, or joined by convention only.",
    ),
    (
        "strip_types/quill-10.yaml",
        'conventional: {property: MCnc, unit: "mg/dL"}\n    si: {property: SCnc, unit: "umol/L"}\n    ladder:\n      - {grade: "normal"',
        'conventional: {property: ACnc, unit: "[EU]/dL"}\n    si: {property: SCnc, unit: "umol/L"}\n    ladder:\n      - {grade: "normal"',
        38,
        "pads[4].si: Nothing joins ACnc in [EU]/dL and SCnc in umol/L. Declare one of them: the two are different tests, or joined by convention only.",
    ),
    (
        "profiles/brook.yaml",
        '"/uL": ["/uL"]',
        '"Ery/uL": ["/uL"]',
        47,
        "units.Ery/uL: The unit 'Ery/uL' is refused: UCUM has no unit for a cell. Write /uL.",
    ),
]
"""File, text in it, what stands there instead, the line (in the long catalogue: the first words on it), and what is said of it."""


@pytest.mark.parametrize(("name", "old", "new", "at", "said"), WRONG, ids=[f"{name}: {new[:40]}" for name, _, new, _, _ in WRONG])
def test_a_wrong_file_is_explained(tmp_path: Path, name: str, old: str, new: str, at: int | str, said: str) -> None:
    """Whoever writes a mapping file is told where it is wrong, why, and what would be right. HZ-G01."""
    own = spoiled(tmp_path, name, old, new)
    text = (own / name).read_text(encoding="utf-8")
    line = at if isinstance(at, int) else text[: text.index(at)].count("\n") + 1
    with pytest.raises(TableError) as caught:
        load_tables(shipped_mappings(), own, POLICY, zone=ZONE)
    assert str(caught.value) == f"{name}:{line}: {said}"


BAND = '{pad: protein, to_age: 12, expected: "Negative", abnormal_from: "trace", source: "s", signed: "x"}'
RANGE = '{pad: protein, to_age: 12, expected: "<30", high: "30", unit: "mg/dL", source: "s", signed: "x"}'
NORMAL = '{pad: protein, grade: "trace", source: "s", signed: "x"}'
WHEN = '{pad: glucose, at_least: "2+"}'
OVERLAP = BAND.replace("to_age: 12", "from_age: 11, sex: F")

# what stands under bands, normal or critical of a site's own flags.yaml, and what is said of it
WRONG_FLAGS = [
    ("bands", BAND.replace("protein", "protien"), "bands[0].pad: No strip type has the pad 'protien'. Did you mean 'protein'?"),
    ("bands", BAND.replace("to_age: 12", "from_age: 12, to_age: 12"), "bands[0].to_age: Nobody is 12 years old and under 12. from_age is the first age that belongs to the band, to_age the first that does not."),
    ("bands", BAND.replace("to_age: 12", "to_age: 151"), "bands[0].to_age: Input should be less than or equal to 150. It says 151. Correct the value."),
    ("bands", BAND.replace("to_age: 12", "from_age: 1.5"), "bands[0].from_age: Input should be a valid integer, got a number with a fractional part. It says 1.5. Correct the value."),
    ("bands", BAND.replace("to_age: 12", "sex: W"), "bands[0].sex: Input should be 'F', 'M' or 'O'. It says 'W'. Correct the value."),
    ("bands", BAND.replace(', signed: "x"', ""), "bands[0].signed: The key 'signed' is missing. Add it; docs/reference/configuration.md says what it holds."),
    ("bands", BAND.replace('abnormal_from: "trace", ', ""), "bands[0]: The band gives neither a range nor a grade. Give low, high or both with their unit; or abnormal_from."),
    ("bands", BAND.replace("abnormal_from", 'high: "30", unit: "mg/dL", abnormal_from'), "bands[0].abnormal_from: The band gives both a range and a grade. Give low, high or both with their unit; or abnormal_from."),
    ("bands", BAND.replace("trace", "positive"), "bands[0].abnormal_from: No ladder of protein has the grade 'positive'. Use one of: negative, trace, 1+, 2+, 3+, 4+."),
    ("bands", BAND.replace("protein", "ph"), "bands[0].abnormal_from: No ladder of ph has the grade 'trace'. Give numbers with their unit: its ladders have no grades."),
    ("bands", BAND.replace("expected", 'unit: "mg/dL", expected'), "bands[0].unit: A grade has no unit. Remove the unit."),
    ("bands", RANGE.replace("mg/dL", "mmol/L"), "bands[0].unit: No ladder of protein has numbers in 'mmol/L'. Use one of: g/L, mg/dL."),
    ("bands", RANGE.replace(', unit: "mg/dL"', ""), "bands[0].unit: The number has no unit. Use one of: g/L, mg/dL."),
    ("bands", RANGE.replace("protein", "nitrite"), "bands[0].unit: No ladder of nitrite has numbers in 'mg/dL'. Give a grade: its ladders have no numbers."),
    ("bands", RANGE.replace("high", 'low: "30", high'), "bands[0].high: The range ends at 30, below its beginning 30. Swap the two."),
    ("bands", RANGE.replace('"30"', "30"), 'bands[0].high: write this in quotes: "1.010" keeps its zero, and "yes" and "12:30" stay text. It says 30. Correct the value.'),
    ("bands", RANGE.replace("protein", "ph").replace("mg/dL", "[pH]"), "bands[0]: ph is abnormal on both sides of its range, but the band has no low. Give low too."),
    ("bands", f"{BAND}, {OVERLAP}", "bands[1]: bands[0] (any sex, from 0 to under 12 years) and bands[1] (F, from 11 years) of protein overlap, and neither lies inside the other. Split the ages or sexes so that one person has one band; a narrower band may lie inside a wider one."),
    ("normal", NORMAL.replace("protein", "prot"), "normal[0].pad: No strip type has the pad 'prot'. Did you mean 'protein'?"),
    ("normal", NORMAL.replace("trace", "positive"), "normal[0].grade: No ladder of protein has the grade 'positive'. Use one of: negative, trace, 1+, 2+, 3+, 4+."),
    ("normal", NORMAL.replace("trace", "negative"), "normal[0].grade: The grade 'negative' of protein is abnormal on no ladder. Remove the row."),
    ("normal", f"{NORMAL}, {NORMAL}", "normal[1]: The grade 'trace' of protein stands twice. Keep one."),
    ("critical", "{id: a, when: [], text: t, source: s}", "critical[0].when: Tuple should have at least 1 item after validation, not 0. Correct the value."),
    ("critical", f"{{id: A b, when: [{WHEN}], text: t, source: s}}", "critical[0].id: String should match pattern '^[a-z][a-z0-9-]{0,39}$'. It says 'A b'. Correct the value."),
    ("critical", f"{{id: a, when: [{WHEN}], text: t, source: s, switched_on: true}}", "critical[0]: The critical rule 'a' is switched on, but nobody has signed it. Add signed: who decided so, and when; or write switched_on: false."),
    ("critical", f"{{id: a, when: [{WHEN}], text: t, source: s}}, {{id: a, when: [{WHEN}], text: t, source: s}}", "critical[1].id: Two critical rules are called 'a'. Rename one."),
    ("critical", f"{{id: a, when: [{WHEN}, {WHEN}], text: t, source: s}}", "critical[0].when[1].pad: Glucose stands in two conditions of one rule. Keep one."),
    ("critical", "{id: a, when: [{pad: sugar, at_least: 2+}], text: t, source: s}", "critical[0].when[0].pad: No strip type has the pad 'sugar'. Use one of: albumin, ascorbic_acid, bilirubin, blood, calcium, clarity, colour, creatinine, glucose, ketones, leukocytes, nitrite, ph, protein, specific_gravity, urobilinogen."),
    ("critical", "{id: a, when: [{pad: glucose}], text: t, source: s}", 'critical[0].when[0]: The condition needs exactly one of at_least and at_most. Write at_least: a grade such as "3+"; or at_least or at_most: a number, and its unit.'),
    ("critical", "{id: a, when: [{pad: glucose, at_least: much}], text: t, source: s}", "critical[0].when[0].at_least: 'much' is neither a grade nor a plain number. Write one of negative, normal, trace, 1+, 2+, 3+, 4+, positive; or a number such as \"1000\", with its unit."),
    ("critical", "{id: a, when: [{pad: glucose, at_least: 2+, unit: mg/dL}], text: t, source: s}", "critical[0].when[0].unit: A grade has no unit. Remove the unit."),
    ("critical", "{id: a, when: [{pad: glucose, at_least: positive}], text: t, source: s}", "critical[0].when[0].at_least: No ladder of glucose has the grade 'positive'. Use one of: negative, trace, 1+, 2+, 3+, 4+."),
    ("critical", '{id: a, when: [{pad: glucose, at_most: "50"}], text: t, source: s}', "critical[0].when[0].unit: The number has no unit. Use one of: mg/dL, mmol/L."),
    ("critical", f"{{id: a, when: [{WHEN}], text: t, source: s, on: true}}", "critical[0]: Keys should be strings. It says True. Correct the value."),
]  # fmt: skip


@pytest.mark.parametrize(("part", "rows", "said"), WRONG_FLAGS, ids=[f"{part}-{n}" for n, (part, _, _) in enumerate(WRONG_FLAGS)])
def test_wrong_flags_are_explained(tmp_path: Path, part: str, rows: str, said: str) -> None:
    """A flag is the laboratory's word: a slip in it must not quietly become another word."""
    (tmp_path / "flags.yaml").write_text(f"# a site's own\n{part}: [{rows}]\n", encoding="utf-8")
    with pytest.raises(TableError) as caught:
        load_tables(shipped_mappings(), tmp_path, POLICY, zone=ZONE)
    assert str(caught.value) == f"flags.yaml:2: {said}"


WRONG_EVIDENCE = [
    ('birth_format: "%Y%m%d"', 'birth_format: "%y%m%d"', "birth_format: '%y%m%d' does not name day, month and four-digit year. Use %Y, %m and %d: a guessed century is a guessed date."),
    ('birth_format: "%Y%m%d"\n', "", "birth_format: No format is given for the birth_date. Give birth_format and birth_date both, or neither."),
    ('    birth_date: "P.8"\n', "", "birth_format: The layout finds no birth_date. Give birth_format and birth_date both, or neither."),
    ('birth_format: "%Y%m%d"', 'birth_format: "%Y%m%d"\ncollected_format: "%Y%m%d%H%M"', "collected_format: The layout finds no collected. Give collected_format and collected both, or neither."),
    ('birth_format: "%Y%m%d"', 'birth_format: "%Y%m%d"\ncollected_format: "%Y%m%d"', "collected_format: The layout finds no collected. Give collected_format and collected both, or neither."),
    ('    birth_date: "P.8"\n', '    birth_date: "P.8"\n    collected: "O.8"\n', "collected_format: No format is given for the collected. Give collected_format and collected both, or neither."),
    ('    sex: "P.9"\n', '    collected: "P.9"\ncollected_format: "%Y%m%d"\n', "collected_format: '%Y%m%d' does not name hour and minute. Use %H and %M as well: without them nobody knows how old the specimen was."),
    ('sexes: {"F": F, "M": M, "O": O, "U": U}\n', "", "sexes: The layout finds a sex, but no words are given for it. Give both sexes and a place of sex, or neither."),
    ('    sex: "P.9"\n', "", "sexes: The layout finds no sex. Give both sexes and a place of sex, or neither."),
    ('"M": M, "O"', '" M": M, "O"', "sexes. M: ' M' has outer or double blanks, which are not compared. Write it with single blanks."),
    ('"M": M, "O"', '"M": W, "O"', "sexes.M: Input should be 'F', 'M', 'O' or 'U'. It says 'W'. Correct the value."),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "said"), WRONG_EVIDENCE)
def test_wrong_evidence_is_explained(tmp_path: Path, old: str, new: str, said: str) -> None:
    """Birth date and sex: where they stand and how they are printed belong together, and no century is guessed."""
    own = spoiled(tmp_path, "profiles/brook.yaml", old, new)
    with pytest.raises(TableError) as caught:
        load_tables(shipped_mappings(), own, POLICY, zone=ZONE)
    assert str(caught.value).partition(": ")[2] == said
    assert caught.value.spot is not None
    assert caught.value.spot.file == "profiles/brook.yaml"


def test_a_grade_without_an_answer_is_explained(tmp_path: Path) -> None:
    """A grade that the catalogue cannot code would go as bare text; the strip type that uses it is named."""
    own = spoiled(tmp_path, "catalogue.yaml", '  "4+": {code', '  # "4+": {code')
    with pytest.raises(TableError) as caught:
        load_tables(shipped_mappings(), own, POLICY, zone=ZONE)
    assert str(caught.value) == (
        "strip_types/larch-9.yaml:29: pads[2].ladder[4].grade: The catalogue has no coded answer for the grade '4+'. "
        "Use one of: negative, normal, trace, 1+, 2+, 3+, positive."
    )


def test_a_nominal_code_without_words_is_explained(tmp_path: Path) -> None:
    """A closed vocabulary needs its words: without them any colour would be as good as another."""
    own = spoiled(tmp_path, "catalogue.yaml", '    words:\n      "clear"', '    molar_mass: null\n    # words:\n    #  "clear"')
    path = own / "catalogue.yaml"
    text = path.read_text(encoding="utf-8")
    for word in ("hazy", "cloudy", "turbid"):
        text = text.replace(f'      "{word}": {{code', f'      # "{word}": {{code')
    path.write_text(text, encoding="utf-8")
    with pytest.raises(TableError, match=r"clarity has a code of the property Type, but no words\. Add words: each value"):
        load_tables(shipped_mappings(), own, POLICY, zone=ZONE)


def test_a_profile_read_by_eye_needs_codes_that_are_not_automated(tmp_path: Path) -> None:
    """Two ways to lack them: no panel, or a pad whose only codes are an automated reader's."""
    row = "- {property: PrThr, method: strip, code: 5802-4"
    own = spoiled(tmp_path / "a", "catalogue.yaml", row, f"# {row}")
    path = own / "catalogue.yaml"
    text = path.read_text(encoding="utf-8")
    for line in [each for each in text.splitlines() if "code: 5802-4" in each or "code: 32710-6" in each]:
        after = text.splitlines()[text.splitlines().index(line) + 1]
        text = text.replace(f"{line}\n{after}\n", "")
    path.write_text(text, encoding="utf-8")
    with pytest.raises(TableError) as caught:
        load_tables(shipped_mappings(), own, POLICY, zone=ZONE)
    assert str(caught.value) == (
        "profiles/heron.yaml:3: reading: nitrite of quill-10 has no PrThr code for a strip read by eye. "
        "Add a code with the method strip or none to catalogue.yaml."
    )
    own = spoiled(tmp_path / "b", "catalogue.yaml", "visual_panel:\n  code: 24357-6", "other_panel:\n  code: 24357-6")
    path = own / "catalogue.yaml"
    text = path.read_text(encoding="utf-8")
    start = text.index("other_panel:")
    path.write_text(text[:start] + text[text.index("answers:", start) :], encoding="utf-8")
    with pytest.raises(TableError) as caught:
        load_tables(shipped_mappings(), own, POLICY, zone=ZONE)
    assert str(caught.value) == (
        "profiles/heron.yaml:3: reading: The catalogue has no panel for strips read by eye. Add visual_panel to catalogue.yaml."
    )


def test_a_ratio_of_grades_is_never_computed(tmp_path: Path) -> None:
    """Where a ladder has grades and no numbers there is nothing to divide, so the strip type may not ask for it."""
    numbers = """    conventional: {property: MCnc, unit: "mg/dL"}
    si: {property: MCnc, unit: "mg/L"}
    ladder:
      - {grade: "normal", conventional: "<=1.1", si: "<=11", abnormal: false}
      - {grade: "1+", conventional: "2.8", si: "28", abnormal: true}
      - {grade: "2+", conventional: "8.5", si: "85", abnormal: true}
      - {grade: "3+", conventional: ">=14.0", si: ">=140", abnormal: true}
"""
    grades = """    ladder:
      - {grade: "normal", abnormal: false}
      - {grade: "1+", abnormal: true}
      - {grade: "2+", abnormal: true}
      - {grade: "3+", abnormal: true}
"""
    own = spoiled(tmp_path, "strip_types/sorrel-14.yaml", numbers, grades)
    with pytest.raises(TableError) as caught:
        load_tables(shipped_mappings(), own, POLICY, zone=ZONE)
    assert (caught.value.sentence, caught.value.remedy) == (
        "albumin_creatinine cannot be computed: albumin has no mass concentrations on this strip.",
        "Remove the ratio: none is ever computed from grades.",
    )


def test_a_ratio_that_the_analyzer_prints_is_not_computed_too(tmp_path: Path) -> None:
    """One value under one code twice would be two results of one test."""
    printed = """  - pad: albumin_creatinine
    conventional: {property: MRto, unit: "mg/g{creat}"}
    ladder:
      - {conventional: "<=25", abnormal: false}
      - {conventional: "90", abnormal: true}
ratios:
"""
    own = spoiled(tmp_path, "strip_types/sorrel-14.yaml", "# This strip's analyzers print no ratio.", "# These also print it.")
    path = own / "strip_types/sorrel-14.yaml"
    path.write_text(path.read_text(encoding="utf-8").replace("ratios:\n", printed, 1), encoding="utf-8")
    with pytest.raises(
        TableError, match=r"albumin_creatinine is a pad of this strip, printed by its analyzers\. Do not compute it too\."
    ):
        load_tables(shipped_mappings(), own, POLICY, zone=ZONE)


def test_a_missing_catalogue_is_explained(tmp_path: Path) -> None:
    """Without the catalogue nothing has a code; the service must not start on half of its tables."""
    root = copied(tmp_path)
    (root / "catalogue.yaml").unlink()
    with pytest.raises(TableError, match=r"There is no catalogue\.yaml\. Restore it"):
        load_tables(root, None, POLICY, zone=ZONE)


def test_what_is_no_yaml_is_explained(tmp_path: Path) -> None:
    """A file that an editor left half-written names its line too."""
    own = spoiled(tmp_path, "profiles/moss.yaml", "numbers:", "numbers: [")
    with pytest.raises(TableError) as caught:
        load_tables(shipped_mappings(), own, POLICY, zone=ZONE)
    assert caught.value.spot is not None
    assert caught.value.spot.file == "profiles/moss.yaml"
    assert caught.value.sentence.startswith("This is not YAML:")
