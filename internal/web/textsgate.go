package web

import "maps"

func init() { maps.Copy(english, gateTexts) }

// gateTexts are the texts of the pages before the record is open.
var gateTexts = map[string]string{
	"gate.setup":           "A new record",
	"gate.setup.purpose":   "The record is encrypted. A passphrase opens it each time the program is started.",
	"gate.setup.where":     "It will be kept in %s.",
	"gate.setup.lost":      "Nobody can open the record without the passphrase or the recovery sheet that comes next. There is no third way.",
	"gate.setup.away":      "There is no record here yet. Set the passphrase at the machine on which the program runs, by an address such as https://127.0.0.1:7475 there, or with gradus keys make; over the network it is not taken.",
	"gate.setup.go":        "Go on to the recovery sheet",
	"gate.passphrase":      "Passphrase",
	"gate.passphrase.new":  "New passphrase",
	"gate.passphrase.help": "At least %d characters, better %d or more: a sentence of your own. Any characters, in any mixture. It may be pasted from a password manager.",
	"gate.repeat":          "The same once more",
	"gate.differ":          "The two are not the same. Type the passphrase twice alike.",
	"gate.again":           "The program was started again meanwhile, so nothing of this form was taken. Please enter it once more.",
	"gate.sheet":           "Recovery sheet",
	"gate.sheet.purpose":   "Print this page or write the key down, then put it where neither this machine nor the passphrase is.",
	"gate.sheet.print":     "Print",
	"gate.sheet.key":       "Recovery key",
	"gate.sheet.of":        "For the record in %s, %s.",
	"gate.sheet.use":       "It opens the record, and every backup of it, when the passphrase is forgotten. Who has it and the machine, or a backup, reads everything: lock it away. The program does not show it again.",
	"gate.sheet.chars":     "No key has the letters I, L, O or U: what looks like them is 1, 1, 0 or V.",
	"gate.sheet.prove":     "To show that it is on paper, type group %d from the paper",
	"gate.sheet.go":        "Make the record",
	"gate.sheet.wrong":     "That is not group %d. Read it from the paper, not from memory.",
	"gate.unlock":          "The record is locked",
	"gate.unlock.purpose":  "The passphrase opens it until the program is stopped.",
	"gate.unlock.go":       "Unlock",
	"gate.unlock.running":  "A test that is running goes on in its own page and loses nothing while the record is locked.",
	"gate.wrong":           "This passphrase does not open the record. Look at capitals and the keyboard's language.",
	"gate.wrong.recovery":  "This recovery key does not open the record. It may be of another record, or of before the key was changed.",
	"gate.slip":            "Nothing was tried: %v.",
	"gate.wait":            "The next try is looked at after %d s.",
	"gate.lost":            "The passphrase is forgotten",
	"gate.lost.help":       "The recovery sheet opens the record, and you set a new passphrase.",
	"gate.recovery":        "Recovery key",
	"gate.recovery.help":   "All eight groups. Capitals, spaces and dashes do not matter.",
	"gate.recover.go":      "Unlock and set the new passphrase",
	"gate.card":            "In an emergency",
	"gate.back":            "Back",
	"gate.api":             "The record waits for its passphrase, since the program was started again",
	"gate.api.hint":        "Open the first page of this program in another window and unlock it; nothing is lost.",
}
