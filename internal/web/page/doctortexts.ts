// Texts of the page that looks at this browser: what a check is about, and what it means when it fails.
export type Check = "secure" | "wasm" | "worker" | "stream" | "store" | "crypto" | "locks" | "offline" | "shared" | "bluetooth" | "wake" | "sound" | "clock"

export const doctorTexts = {
  level: { ok: "ok", attention: "attention", fault: "fault" },
  said: {
    ok: "This browser has all that the pages use.",
    attention: "Tests can be run here; something is missing that helps.",
    fault: "Do not run a test with this browser: something is missing that the running page needs.",
  },
  checks: {
    secure: ["The page came by a safe way.", "Open it by https, or on the server's own machine."],
    wasm: ["The conductor runs (WebAssembly).", "Use a present version of the browser."],
    worker: ["It runs beside the page (workers).", "Use a present version of the browser."],
    stream: ["The page hears of events elsewhere.", "Use a present version of the browser."],
    store: ["Entries are kept on this device until they are delivered.", "Leave the private window, or allow this site to store data."],
    crypto: ["They are kept encrypted.", "Open the page by https, or on the server's own machine."],
    locks: ["Two tabs do not both hold the pen.", "Open a test in one tab only."],
    offline: ["The page comes back while the server is away.", "Do not reload the page while the server does not answer."],
    shared: ["The tabs share one stream.", "Nothing to do: each page uses one of its own."],
    bluetooth: ["Sensors connect by Bluetooth.", "Type the readings, or use Chrome or Edge on a computer or Android."],
    wake: ["The screen stays on during a test.", "Turn the device's sleep off for the test."],
    sound: ["Prompts sound.", "Watch the screen: it says the same."],
    clock: ["The clock agrees with the server's within 5 minutes.", "Set the device's clock. Test time follows neither clock, the times in the log do."],
  } as Record<Check, [string, string]>,
}
