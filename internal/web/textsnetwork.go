package web

import "maps"

func init() { maps.Copy(english, networkTexts) }

// networkTexts are the texts of the pages about the local network.
var networkTexts = map[string]string{
	"error.number":   "In the program's log this request has the number %s.",
	"form.type":      "What was sent is no form.",
	"stream.many":    "%d tests; a stream shows 1 to %d",
	"stream.of.hint": "write each as test~marks~pages, such as t-1~1.12~2",
	"guard.plain":    "Nothing is taken by plain HTTP. Open the page by https.",

	"doctor.title":    "Is this device fit?",
	"doctor.purpose":  "What the running page needs of this browser, looked at on the device that will run the test.",
	"doctor.wait":     "Looking.",
	"doctor.noscript": "Scripts are off in this browser. A test cannot be run here; people, results and papers work.",
	"doctor.server":   "What the server stands on is looked at where it runs: gradus doctor.",

	"trust.title":       "Trust this server",
	"trust.link":        "Let another device trust this server",
	"trust.purpose":     "A tablet or a second screen connects without a warning once it trusts the authority of this site.",
	"trust.none":        "This server uses no authority of its own. Where it runs, gradus certificate makes one; a certificate of the hospital's own authority needs nothing here.",
	"trust.check":       "Take the certificate, and compare it",
	"trust.why":         "The pages travel under TLS, so that nobody on the network can read or change them. The device must know whose certificate is the right one: this site's authority signed it.",
	"trust.name":        "Authority",
	"trust.fingerprint": "Fingerprint (SHA-256)",
	"trust.until":       "Ends",
	"trust.bounds":      "May sign for",
	"trust.compare":     "Caution: compare the fingerprint with the one that gradus certificate printed where the server runs, by another way than this network. If it differs, stop: someone stands between this device and the server.",
	"trust.get":         "Save the certificate",
	"trust.pem":         "The same as PEM text",
	"trust.how":         "Then, once on each device",
	"trust.menus":       "The names of menus are as we know them from memory and change between versions; search the device's settings for the word certificate.",
	"trust.after":       "Afterwards close the browser and open the page again: the warning is gone. The authority may sign for the addresses above and for nothing else. To undo it, remove the certificate where you put it.",

	"trust.on.windows":   "Windows (for this user)",
	"trust.on.windows.1": "Open the saved file gradus-authority.crt and choose Install Certificate.",
	"trust.on.windows.2": "Choose Current User, then Place all certificates in the following store.",
	"trust.on.windows.3": "Choose Trusted Root Certification Authorities, then Finish.",
	"trust.on.windows.4": "Compare the fingerprint in the certificate's details before you answer Yes. A department does the same for all devices by group policy.",

	"trust.on.mac":   "macOS",
	"trust.on.mac.1": "Open the saved file; Keychain Access adds it to the login keychain.",
	"trust.on.mac.2": "Find the authority by its name and open it.",
	"trust.on.mac.3": "Compare the fingerprint (SHA-256) in its details.",
	"trust.on.mac.4": "Under Trust choose Always Trust for Secure Sockets Layer, then close and confirm.",

	"trust.on.ipad":   "iPadOS and iOS",
	"trust.on.ipad.1": "Open this page in Safari and save the certificate; allow the profile.",
	"trust.on.ipad.2": "Open Settings: the profile stands at the top, or under General, VPN and Device Management.",
	"trust.on.ipad.3": "Compare the fingerprint under More Details, then choose Install.",
	"trust.on.ipad.4": "Open Settings, General, About, Certificate Trust Settings.",
	"trust.on.ipad.5": "Turn the authority on. Safari on these devices has no Web Bluetooth: heart rates are typed.",

	"trust.on.android":   "Android",
	"trust.on.android.1": "Save the certificate.",
	"trust.on.android.2": "Open Settings, Security and privacy, More, Encryption and credentials, Install a certificate, CA certificate.",
	"trust.on.android.3": "Read the warning, choose Install anyway, and pick the saved file.",
	"trust.on.android.4": "Compare the fingerprint under Trusted credentials, User.",

	"trust.on.linux":   "Linux (Chromium)",
	"trust.on.linux.1": "Install libnss3-tools (its command is certutil).",
	"trust.on.linux.2": "Run: certutil -d sql:$HOME/.pki/nssdb -A -t C,, -n gradus -i gradus-authority.pem",
	"trust.on.linux.3": "Compare: openssl x509 -in gradus-authority.pem -noout -fingerprint -sha256",

	"trust.on.firefox":   "Firefox, on every system",
	"trust.on.firefox.1": "Open Settings, Privacy and Security, Certificates, View Certificates, Authorities, Import.",
	"trust.on.firefox.2": "Pick the saved file, compare the fingerprint under View.",
	"trust.on.firefox.3": "Tick Trust this CA to identify websites.",
}
