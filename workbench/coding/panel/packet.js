// -------------------------------------------------------------------------------- the packet page
// Comes after panel.js in the same script. Keeps the work in this browser, saves it to a file and opens such a file again.

const packet = JSON.parse(document.getElementById("packet-data").textContent);
const own = `workbench-packet-${packet.id}-`;
const savedMark = `workbench-packet-saved-${packet.id}`;
const SAFE_RESULT = 20_000_000;

const at = (id) => document.getElementById(id);

/** The operations of this packet that the browser keeps, each under a name of its own, so that two windows lose nothing. */
const browser = {
  works: true,

  read() {
    const found = [];
    try {
      for (let place = 0; place < localStorage.length; place += 1) {
        const name = localStorage.key(place);
        if (name.startsWith(own)) found.push([name, JSON.parse(localStorage.getItem(name))]);
      }
    } catch {
      this.works = false;
    }
    found.sort(([a], [b]) => (a < b ? -1 : 1));
    return found.map(([, one]) => one).sort((a, b) => (a.at < b.at ? -1 : a.at > b.at ? 1 : 0));
  },

  /** Keep operations; those it could not keep are still in the page, which says so. */
  keep(operations, count) {
    try {
      operations.forEach((one, place) => localStorage.setItem(`${own}${String(count + place).padStart(8, "0")}-${one.id}`, JSON.stringify(one)));
    } catch {
      this.works = false;
    }
    return this.works;
  },

  test() {
    try {
      localStorage.setItem(savedMark, localStorage.getItem(savedMark) || "0");
    } catch {
      this.works = false;
    }
  },

  saved(count = undefined) {
    try {
      if (count !== undefined) localStorage.setItem(savedMark, String(count));
      return Number(localStorage.getItem(savedMark)) || 0;
    } catch {
      return count ?? 0;
    }
  },
};

const given = packet.operations.length;
const work = { operations: [...packet.operations], inFile: 0, shown: packet.transcripts[0]?.transcript.name };
work.ids = new Set(work.operations.map((one) => one.id));

function takeIn(operations) {
  const fresh = operations.filter((one) => !work.ids.has(one.id));
  for (const one of fresh) work.ids.add(one.id);
  work.operations.push(...fresh);
  return fresh;
}

/** Take in what another window of this packet kept meanwhile, where the browser did not tell of it. */
function catchUp() {
  if (takeIn(browser.read().filter(fits)).length) bringUpToDate();
}

/** A rated unit of each transcript, kept by transcript and worked out anew only where something changed. */
const ratedHeld = new Map();
function rated(one) {
  const mine = work.operations.filter((operation) => operation.transcript === one.transcript.name);
  const held = ratedHeld.get(one);
  if (held && held.count === mine.length) return held.rated;
  const found = ratedUnits({ ...one, round: packet.round }, mine).size;
  ratedHeld.set(one, { count: mine.length, rated: found });
  return found;
}

function shown() {
  return packet.transcripts.find((one) => one.transcript.name === work.shown);
}

let panelData = null;
let takeAway = null;

function showTranscript(name) {
  if (takeAway) takeAway();
  work.shown = name;
  const { round, by, version, kind, codes, conditions, questions, stances } = packet;
  panelData = { ...shown(), round, by, version, kind, codes, conditions, questions, stances, kept: "kept" };
  bringUpToDate();
}

function bringUpToDate(operations = work.operations) {
  const mine = operations.filter((one) => one.transcript === work.shown);
  takeAway = mount(at("packet-panel"), { ...panelData, operations: mine }, { onOperations: decided });
  tell();
}

function decided(operations) {
  const count = work.operations.length;
  takeIn(operations);
  setTimeout(() => {
    if (browser.keep(operations, count)) bringUpToDate();
    else tell();
  });
}

function tell() {
  drawTranscripts();
  const count = work.operations.length - given;
  const unsaved = count - work.inFile;
  at("packet-storage").hidden = browser.works;
  at("packet-state").textContent = !count
    ? "Nothing is changed here yet."
    : unsaved > 0
      ? `${unsaved} of ${count} changes are not in a saved file yet.`
      : "All changes are in the file that was saved last.";
}

function drawTranscripts() {
  const list = at("packet-transcripts");
  const lines = packet.transcripts.map((one) => {
    const left = one.units.length - rated(one);
    return [one.transcript.name, left ? `${left} of ${one.units.length} left` : "all coded"];
  });
  const face = JSON.stringify([lines, work.shown]);
  if (list.dataset.face === face) return;
  list.dataset.face = face;
  const hadFocus = list.contains(document.activeElement);
  list.replaceChildren(
    ...lines.map(([name, left]) => {
      const line = document.createElement("li");
      const open = document.createElement("button");
      open.type = "button";
      open.textContent = name;
      if (name === work.shown) open.setAttribute("aria-current", "true");
      open.addEventListener("click", () => showTranscript(name));
      line.append(open, ` ${left}`);
      return line;
    }),
  );
  if (hadFocus) list.querySelector("[aria-current]").focus();
}

// ------------------------------------------------------------------------------------------- files

async function digest(text) {
  if (!globalThis.crypto?.subtle) return "";
  const bytes = await crypto.subtle.digest("SHA-256", new TextEncoder().encode(text));
  return Array.from(new Uint8Array(bytes), (one) => one.toString(16).padStart(2, "0")).join("");
}

async function save() {
  catchUp();
  const operations = work.operations.slice(given);
  const result = {
    format: packet.result_format,
    format_version: packet.format_version,
    packet: packet.id,
    study: packet.study,
    round: packet.round,
    rater: packet.by,
    codebook_version: packet.version,
    units_sha256: packet.units_sha256,
    units: Object.fromEntries(packet.transcripts.flatMap((one) => one.units.map((unit) => [unit.id, unit.sha256]))),
    saved_at: new Date().toISOString(),
    operations_sha256: await digest(JSON.stringify(operations)),
    operations,
  };
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([JSON.stringify(result)], { type: "application/json" }));
  link.download = packet.result_file;
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(link.href), 10_000);
  work.inFile = browser.saved(operations.length);
  tell();
  say(`${operations.length} changes saved as ${packet.result_file}, where your browser puts downloads.`);
}

function say(words) {
  at("packet-said").textContent = words;
}

/** Why a file is not opened; "" where it can be. */
function unfit(result) {
  const isResult = result && typeof result === "object" && result.format === packet.result_format && Array.isArray(result.operations);
  if (!isResult) return "This is no file saved from a packet page.";
  for (const [name, value, word] of [["study", packet.study, "study"], ["round", packet.round, "round"], ["rater", packet.by, "rater"], ["codebook_version", packet.version, "version of the codebook"]]) {
    if (result[name] !== value) return `It belongs to another ${word}: “${String(result[name]).slice(0, 80)}”, not “${value}”.`;
  }
  if (result.packet !== packet.id) return "It was saved from another packet.";
  if (!result.operations.every(fits)) return "Some of it is not what this page writes; the file was changed by hand or damaged.";
  return "";
}

const unitKeys = new Set(packet.transcripts.flatMap((one) => one.units.map((unit) => `${one.transcript.name}/${unit.id}`)));
const codeNames = new Set(packet.codes.map((one) => one.code));

function fits(one) {
  const words = ["id", "by", "kind", "key", "round", "transcript", "version", "why", "at"];
  if (!one || typeof one !== "object" || !words.every((name) => typeof one[name] === "string")) return false;
  if (!/^[0-9a-f]{32}$/.test(one.id) || one.by !== packet.by || one.round !== packet.round || !["coding", "rated", "memo"].includes(one.kind)) return false;
  const start = one.kind === "memo" ? "unit/" : `${packet.round}/${one.transcript}/`;
  if (!one.key.startsWith(start) || !unitKeys.has(`${one.transcript}/${one.key.slice(start.length).split("/", 1)[0]}`)) return false;
  const { content } = one;
  if (content === null || (one.kind === "rated" && typeof content === "object")) return true;
  if (typeof content !== "object") return false;
  return one.kind === "memo" ? typeof content.text === "string" : codeNames.has(content.code) && Array.isArray(content.about) && typeof content.stance === "string";
}

async function open(file) {
  let result = null;
  if (file.size > SAFE_RESULT) return say("Not opened: the file is far larger than any that this page saves.");
  try {
    result = JSON.parse(await file.text());
  } catch {
    return say("Not opened: this is no JSON file, or it is damaged.");
  }
  const why = unfit(result);
  if (why) return say(`Not opened: ${why}`);
  const count = work.operations.length;
  const fresh = takeIn(result.operations);
  browser.keep(fresh, count);
  showTranscript(work.shown);
  return say(fresh.length ? `${fresh.length} changes were taken in from the file.` : "All that the file holds is here already.");
}

// ------------------------------------------------------------------------------------------- begin

browser.test();
work.inFile = browser.saved();
const before = browser.read().filter(fits);
takeIn(before);
at("packet-save").addEventListener("click", save);
at("packet-open").addEventListener("change", async (event) => {
  if (event.target.files[0]) await open(event.target.files[0]);
  event.target.value = "";
});
window.addEventListener("storage", (event) => {
  if (!event.key?.startsWith(own) || !event.newValue) return;
  const one = JSON.parse(event.newValue);
  if (fits(one) && takeIn([one]).length) bringUpToDate();
});
window.addEventListener("focus", catchUp);
window.addEventListener("beforeunload", (event) => {
  if (!browser.works && work.operations.length - given > work.inFile) event.preventDefault();
});
if (packet.transcripts.length) showTranscript(work.shown);
