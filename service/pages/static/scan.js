// The camera inside the page: the square in its middle goes to the server three times a second until a label is read.
// Where the browser reads QR codes itself, only their text is sent.

const BETWEEN_MS = 330;
const SIDE_MAX = 720;
const AWAY_MS = 2000;
const HINT_AFTER_MS = 12000;

const words = document.getElementById("camera-words");
const picture = document.getElementById("camera-picture");
const startButton = document.getElementById("camera-start");
const stopButton = document.getElementById("camera-stop");
const canvas = document.createElement("canvas");

const AIM = "Hold the QR square in the middle of the picture.";
const HINT = "Nothing read yet. Come closer until the square fills a third of the picture, and step out of the glare. The typed code and a photo work too.";
const INSECURE = "The camera inside the page works only over HTTPS with a certificate this phone trusts. What works here: the phone's own camera, a photo, and the typed code.";
const REFUSALS = {
  NotAllowedError: "The camera was refused. Allow it for this page in the settings of the browser, then start it again. A photo and the typed code work without.",
  NotFoundError: "This device has no camera. Type the code, or choose a photo.",
  OverconstrainedError: "This device has no camera that fits. Type the code, or choose a photo.",
  NotReadableError: "Another program is using the camera. Close it, then start again.",
};

let stream = null;
let detector = null;
let turn = 0; // a later start or stop makes what is still under way of an earlier one count for nothing

function say(text) {
  if (words.textContent !== text) words.textContent = text;
}

function show(isOn) {
  picture.hidden = !isOn;
  stopButton.hidden = !isOn;
  startButton.hidden = isOn;
}

async function start() {
  stop();
  const mine = ++turn;
  say("Waiting for the camera.");
  let opened;
  try {
    opened = await navigator.mediaDevices.getUserMedia({
      audio: false,
      video: { facingMode: "environment", width: { ideal: 1280 }, height: { ideal: 720 } },
    });
  } catch (refusal) {
    if (mine === turn) say(REFUSALS[refusal.name] ?? "The camera could not be started. A photo and the typed code work.");
    return;
  }
  if (mine !== turn) {
    for (const track of opened.getTracks()) track.stop();
    return;
  }
  stream = opened;
  picture.srcObject = stream;
  show(true);
  await picture.play().catch(() => {});
  detector ??= await ownDetector();
  say(AIM);
  watch(mine);
}

function stop() {
  turn += 1;
  for (const track of stream?.getTracks() ?? []) track.stop();
  stream = null;
  picture.srcObject = null;
  show(false);
}

// Some browsers bring a reader of their own; it spares the network and the server.
async function ownDetector() {
  if (!("BarcodeDetector" in window) || new URLSearchParams(location.search).get("native") === "0") return null;
  const formats = await BarcodeDetector.getSupportedFormats().catch(() => []);
  return formats.includes("qr_code") ? new BarcodeDetector({ formats: ["qr_code"] }) : null;
}

async function watch(mine) {
  const began = performance.now();
  let heard = "";
  while (mine === turn) {
    const asked = performance.now();
    let rest = BETWEEN_MS;
    try {
      const answer = detector ? await askForText() : await askForFrame();
      if (mine !== turn) return;
      if (answer.status === 401) {
        stop();
        return sayLoggedOut();
      }
      if (answer.code) {
        say("Read. Opening the lot.");
        stop();
        location.assign(`/L/${encodeURIComponent(answer.code)}`);
        return;
      }
      rest = Math.max(rest, answer.waitMs);
      heard = answer.words || heard;
      say(answer.words || (performance.now() - began > HINT_AFTER_MS ? HINT : heard || AIM));
    } catch {
      if (mine !== turn) return;
      say("The server cannot be reached. Trying again.");
      rest = AWAY_MS;
    }
    await pause(Math.max(0, rest - (performance.now() - asked)));
  }
}

const NOTHING = { status: 200, code: null, words: "", waitMs: 0 };
let lastText = "";
let lastAnswer = NOTHING;

async function askForText() {
  if (picture.readyState < HTMLMediaElement.HAVE_CURRENT_DATA) return NOTHING;
  let found;
  try {
    [found] = await detector.detect(picture);
  } catch {
    detector = null; // it promised and cannot; the server can
    return NOTHING;
  }
  if (!found?.rawValue) return NOTHING;
  if (found.rawValue !== lastText) {
    lastAnswer = await read(await fetch(`/scan/text?text=${encodeURIComponent(found.rawValue)}`));
    lastText = found.rawValue;
  }
  return lastAnswer;
}

async function askForFrame() {
  const { videoWidth: width, videoHeight: height } = picture;
  if (!width || !height) return NOTHING;
  const side = Math.min(width, height);
  canvas.width = canvas.height = Math.min(side, SIDE_MAX);
  const pen = canvas.getContext("2d");
  pen.drawImage(picture, (width - side) / 2, (height - side) / 2, side, side, 0, 0, canvas.width, canvas.height);
  const frame = await new Promise((resolve) => canvas.toBlob(resolve, "image/jpeg", 0.7));
  if (!frame) return NOTHING;
  return read(await fetch("/scan/frame", { method: "POST", headers: { "Content-Type": "image/jpeg" }, body: frame }));
}

async function read(response) {
  if (response.status >= 500) throw new Error("server");
  const { code, words } = await response.json();
  const waitMs = response.status === 429 ? 1000 * Number(response.headers.get("Retry-After") ?? 1) : 0;
  return { status: response.status, code, words, waitMs };
}

function sayLoggedOut() {
  const link = document.createElement("a");
  link.href = "/log-in?path=/scan";
  link.textContent = "Log in again";
  words.replaceChildren("You were logged out meanwhile. ", link, " to use the camera here.");
}

function pause(milliseconds) {
  return new Promise((resolve) => setTimeout(resolve, milliseconds));
}

if (!window.isSecureContext || !navigator.mediaDevices?.getUserMedia) {
  say(INSECURE);
} else {
  say("Start it, and hold the QR square in the middle of the picture.");
  startButton.hidden = false;
  startButton.addEventListener("click", start);
  stopButton.addEventListener("click", () => {
    stop();
    say("The camera is off.");
    startButton.focus();
  });
  let isPaused = false;
  document.addEventListener("visibilitychange", () => {
    if (document.hidden && stream) {
      isPaused = true;
      stop();
      say("The camera is off while nobody looks.");
    } else if (!document.hidden && isPaused) {
      isPaused = false;
      start();
    }
  });
  window.addEventListener("pagehide", stop);
  if (location.hash === "#camera") start();
}

// A photo needs no second tap once it is taken.
const photo = document.getElementById("photo");
photo?.addEventListener("change", () => {
  if (photo.files.length) photo.form.requestSubmit();
});
