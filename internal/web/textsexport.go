package web

import "maps"

func init() { maps.Copy(english, exportTexts) }

// exportTexts are the texts of the page that makes files for other systems.
var exportTexts = map[string]string{
	"export.link":      "Files for other systems",
	"export.title":     "Files for other systems",
	"export.purpose":   "Hand tests to a chart system, to research or to a spreadsheet. What leaves is noted with each test.",
	"export.which":     "Which tests",
	"export.all":       "all",
	"export.filter":    "Show these",
	"export.total":     "Closed tests: %d.",
	"export.more":      "And %d more.",
	"export.none":      "No closed test is meant; choose others.",
	"export.many":      "more than %d tests are meant",
	"export.many.hint": "Choose a shorter time or one protocol, and make several files.",
	"export.draft":     "draft",
	"export.final":     "final, version %d, signed by %s",
	"export.how":       "The file",
	"export.how.help":  "Look first: what the choice means, and the free texts, stand below then. For a chart system the status follows the signing: a draft is preliminary, a signed report final, one signed again amended.",
	"export.look":      "Look at what it means",
	"export.make":      "Make the file and note it",
	"export.warn":      "What it means",
	"export.nonames":   "Name, birth date and other numbers are left out; the code and the days stay, so this is not de-identified.",
	"export.small":     "fewer than 5 people share age, sex and condition, and may be recognised by them: %s",
	"export.free":      "Free texts that are left out",
	"export.free.help": "Look through them. A column that names nobody may stay: tick it above and look again.",
	"export.free.none": "There is no free text that is left out.",
	"export.two":       "Two people of different sites have the code %s. Somebody of each site exports its own tests.",
	"export.undrawn":   "No free study codes were found. Try again.",
	"export.codes":     "Study codes are kept in the record, so that a person has the same code in the next file. Nobody who gets the file gets them.",

	"field.from":                     "From",
	"field.to":                       "To",
	"field.signed":                   "Report",
	"field.signed=yes":               "Signed ones only",
	"field.export_what":              "For",
	"field.export_what=fhir":         "a chart system (FHIR R4)",
	"field.export_what=data":         "research (data package)",
	"field.export_what=xlsx":         "a spreadsheet (XLSX)",
	"field.export_hide":              "Research and spreadsheet",
	"field.export_hide=deidentified": "de-identified: study codes, the year alone",
	"field.export_hide=study-days":   "with days counted from the first test",
	"field.export_hide=identified":   "as it is, with codes and days",
	"field.export_keep":              "Free texts that stay",
	"field.export_fhir":              "Chart system",
	"field.export_fhir=note":         "attach the clinician's note",
	"field.export_fhir=plan":         "add the exercise plan",
	"field.export_fhir=no-names":     "leave out name and birth date",
	"field.export_fhir=no-loinc":     "our own code for the estimate alone",
}
