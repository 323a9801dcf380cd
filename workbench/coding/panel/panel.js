/* The coding panel: one transcript, its units, and what one rater codes in it.

mount(parent, data, callbacks) builds the panel in an element, or brings the panel there up to date; it returns a function
that takes it away. The same file serves the packet page and the app. It asks nothing of the page but an element, fetches
nothing and stores nothing: every decision goes to callbacks.onOperations(list) and is drawn at once.

data: {
  round, by, version,                     where decisions belong: round, rater, version of the codebook
  kind: "answers" | "sentences" | "spans",
  transcript: {name, participant, language},
  turns: [{id, role, text, time, question, condition, translation}],
  units: [{id, participant, text, pieces: [{turn, start, end, at}]}],     offsets are code points
  codes: [{code, label, theme, definition, full_definition, when_to_use, when_not_to_use, example, near_miss}],
  conditions: [{id, label}], questions: {id: label}, stances: true | false,
  operations: [...],                      what the host has of this rater, in order
  stored: [id, ...],                      further operations that the host has
  kept: "stored",                         the host's word for what it has
}
*/

const STANCES = ["for", "against", "mixed"];
const WHOLE = "-";
const SLOTS = 9;
const RULES = [["solid", "100% 1px"], ["dashed", "6px 1px"], ["dotted", "3px 1px"], ["heavy", "100% 2px"]];
const UNIT_WORDS = { answers: "answer", sentences: "sentence", spans: "answer" };

const panels = new WeakMap();
let panelsMade = 0;

export default function mount(parent, data, callbacks = {}) {
  let panel = panels.get(parent);
  if (panel && !panel.shows(data)) {
    panel.remove();
    panel = undefined;
  }
  if (panel) panel.receive(data, callbacks);
  else panels.set(parent, (panel = new Panel(parent, data, callbacks)));
  return () => {
    panel.remove();
    if (panels.get(parent) === panel) panels.delete(parent);
  };
}

// ------------------------------------------------------------------------------------------ text

const segmenters = {};

/** Where graphemes or words of a text begin, in UTF-16 units; words as [start, end]. */
function segments(text, granularity) {
  if (!globalThis.Intl || !Intl.Segmenter) {
    const pattern = granularity === "word" ? /[\p{L}\p{N}\p{M}'’]+/gu : /\P{M}\p{M}*/gsu;
    return Array.from(text.matchAll(pattern), (one) => [one.index, one.index + one[0].length]);
  }
  segmenters[granularity] ||= new Intl.Segmenter(undefined, { granularity });
  return Array.from(segmenters[granularity].segment(text))
    .filter((one) => granularity !== "word" || one.isWordLike)
    .map((one) => [one.index, one.index + one.segment.length]);
}

/** The place of the first item of a list for which something holds, and holds for all after it. */
function firstWhere(list, holds) {
  let [low, high] = [0, list.length];
  while (low < high) {
    const middle = (low + high) >> 1;
    if (holds(list[middle])) high = middle;
    else low = middle + 1;
  }
  return low;
}

function codePoints(text) {
  let count = 0;
  for (const _ of text) count += 1;
  return count;
}

/** The place in UTF-16 units of a place counted in code points. */
function unitsAt(text, place) {
  let at = 0;
  for (let count = 0; count < place && at < text.length; count += 1) at += text.codePointAt(at) > 0xffff ? 2 : 1;
  return at;
}

function plain(text) {
  return text.normalize("NFD").replace(/\p{M}/gu, "").toLowerCase();
}

function element(tag, names = "", text = undefined, attributes = {}) {
  const made = document.createElement(tag);
  if (names) made.className = names.split(" ").map((one) => `wbp-${one}`).join(" ");
  if (text !== undefined) made.textContent = text;
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  return made;
}

function button(names, text, act, attributes = {}) {
  const made = element("button", names, text, { type: "button", ...attributes });
  made.addEventListener("click", act);
  return made;
}

function newId() {
  if (globalThis.crypto.randomUUID) return crypto.randomUUID().replaceAll("-", "");
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 0x0f) | 0x40;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  return Array.from(bytes, (one) => one.toString(16).padStart(2, "0")).join("");
}

// ---------------------------------------------------------------------------------------- ledger

/** The operations of one rater in one transcript: what holds now, what can be undone, what the host has. */
class Ledger {
  constructor(data) {
    this.transcript = data.transcript.name;
    this.round = data.round;
    this.prefix = `${data.round}/${data.transcript.name}/`;
    this.ids = new Set();
    this.waiting = new Map();
    this.present = new Map();
    this.units = new Map();
    this.done = [];
    this.undone = [];
    this.slots = [];
    this.lastAt = "";
  }

  /** Take new operations in; returns the ids of the units they touch. */
  take(operations, isStored) {
    const touched = new Set();
    for (const one of operations) {
      if (this.ids.has(one.id) || one.transcript !== this.transcript || one.round !== this.round) continue;
      this.ids.add(one.id);
      if (!isStored) this.waiting.set(one.id, this.unitOf(one));
      this.remember(one);
      touched.add(this.unitOf(one));
    }
    return touched;
  }

  /** What the host has now, by id; returns the ids of the units whose operations waited for it. */
  acknowledge(ids) {
    const touched = new Set();
    for (const id of ids) {
      if (this.waiting.has(id)) touched.add(this.waiting.get(id));
      this.waiting.delete(id);
    }
    return touched;
  }

  unitOf(operation) {
    const before = operation.kind === "memo" ? "unit/" : this.prefix;
    return operation.key.slice(before.length).split("/", 1)[0];
  }

  remember(operation) {
    const unit = this.unitOf(operation);
    const name = `${operation.kind} ${operation.key}`;
    const before = this.present.get(name)?.content ?? null;
    this.present.set(name, { ...operation, unit });
    if (!this.units.has(unit)) this.units.set(unit, new Map());
    const held = this.units.get(unit);
    if (operation.content === null) held.delete(name);
    else held.set(name, this.present.get(name));
    if (operation.kind === "coding" && operation.content) this.giveSlot(operation.content.code);
    this.keepMove(operation, unit, before);
  }

  /** Operations of one move have the same time; undo and redo take moves back and forth. */
  keepMove(operation, unit, before) {
    const isNew = operation.at !== this.lastAt || !operation.at;
    this.lastAt = operation.at;
    if (operation.why === "undo" || operation.why === "redo") {
      const [from, to] = operation.why === "undo" ? [this.done, this.undone] : [this.undone, this.done];
      if (isNew && from.length) to.push(from.pop());
      return;
    }
    if (isNew || !this.done.length) this.done.push([]);
    this.done.at(-1).push({ kind: operation.kind, key: operation.key, unit, before, after: operation.content });
    this.undone = [];
  }

  /** A code keeps its digit; when all are taken, the one used least lately gives way. */
  giveSlot(code) {
    this.uses = (this.uses || 0) + 1;
    let slot = this.slots.find((one) => one.code === code);
    if (!slot && this.slots.length < SLOTS) this.slots.push((slot = { code }));
    if (!slot) {
      slot = this.slots.reduce((least, one) => (one.used < least.used ? one : least));
      slot.code = code;
    }
    slot.used = this.uses;
  }

  held(unit, kind) {
    return Array.from(this.units.get(unit)?.values() ?? []).filter((one) => one.kind === kind);
  }

  isRated(unit) {
    return this.held(unit, "coding").length > 0 || this.held(unit, "rated").length > 0;
  }

  time() {
    const last = this.lastAt ? Date.parse(this.lastAt) : 0;
    return new Date(Math.max(Date.now(), last + 1)).toISOString();
  }
}

/** The units of a transcript that have a code, or of which it is said that nothing applies. */
export function ratedUnits(data, operations) {
  const ledger = new Ledger(data);
  ledger.take(operations, true);
  return new Set(data.units.filter((one) => ledger.isRated(one.id)).map((one) => one.id));
}

// ----------------------------------------------------------------------------------------- panel

class Panel {
  constructor(parent, data, callbacks) {
    this.parent = parent;
    this.data = data;
    this.callbacks = callbacks;
    this.id = `wbp${(panelsMade += 1)}`;
    this.seen = this.face(data);
    this.codes = new Map(data.codes.map((one) => [one.code, one]));
    this.conditions = new Map(data.conditions.map((one) => [one.id, one.label || one.id]));
    this.ledger = new Ledger(data);
    this.ledger.take(data.operations || [], true);
    this.readText();
    this.build();
    this.moveTo(this.nextOpen(-1) ?? this.units[0], { focus: false });
  }

  face(data) {
    const { round, by, version, kind, transcript, turns, units, codes, conditions } = data;
    return JSON.stringify([round, by, version, kind, transcript, turns, units, codes, conditions]);
  }

  shows(data) {
    const isSame = data.turns === this.data.turns && data.units === this.data.units && data.by === this.data.by;
    return isSame || this.face(data) === this.seen;
  }

  receive(data, callbacks) {
    this.data = data;
    this.callbacks = callbacks;
    const operations = data.operations || [];
    const kept = this.ledger.acknowledge([...operations.map((one) => one.id), ...(data.stored || [])]);
    const touched = this.ledger.take(operations, true);
    for (const id of kept) if (!touched.has(id)) this.drawKept(this.unitsById.get(id));
    this.draw(touched);
  }

  remove() {
    document.removeEventListener("pointerup", this.onPointerUp);
    this.root.remove();
  }

  // -------------------------------------------------------------------------------------- text

  readText() {
    this.turns = this.data.turns.map((turn) => ({ ...turn, pieces: [], closes: [] }));
    this.turnsById = new Map(this.turns.map((turn) => [turn.id, turn]));
    this.units = this.data.units
      .filter((unit) => unit.pieces.every((piece) => this.turnsById.has(piece.turn)))
      .map((unit, order) => this.readUnit(unit, order));
    this.unitsById = new Map(this.units.map((unit) => [unit.id, unit]));
    for (const turn of this.turns) turn.pieces.sort((a, b) => a.from - b.from);
  }

  readUnit(given, order) {
    const unit = { ...given, order, pieces: [] };
    for (const one of given.pieces) {
      const turn = this.turnsById.get(one.turn);
      const [from, to] = [unitsAt(turn.text, one.start), unitsAt(turn.text, one.end)];
      const at = unitsAt(given.text, one.at);
      const piece = { unit, turn, from, to, at, until: at + to - from, text: turn.text.slice(from, to) };
      unit.pieces.push(piece);
      turn.pieces.push(piece);
    }
    unit.last = unit.pieces.at(-1).turn;
    unit.last.closes.push(unit);
    const name = `${this.unitWord()} ${order + 1} of ${this.data.units.length}:`;
    unit.name = element("span", "hidden", name, { id: `${this.id}-${order}-name`, lang: "en" });
    unit.said = element("span", "hidden", "", { id: `${this.id}-${order}-said`, lang: "en" });
    return unit;
  }

  graphemes(turn) {
    turn.graphemes ||= segments(turn.text, "grapheme");
    return turn.graphemes;
  }

  /** A span of a turn, widened to whole graphemes and without space at its edges; null where nothing is left. */
  snapped(turn, from, to) {
    const whole = this.graphemes(turn);
    const [first, last] = [firstWhere(whole, ([, end]) => end > from), firstWhere(whole, ([start]) => start >= to) - 1];
    if (from >= to || first > last) return null;
    let [start, end] = [whole[first][0], whole[last][1]];
    const words = turn.text.slice(start, end);
    start += words.length - words.trimStart().length;
    end -= words.length - words.trimEnd().length;
    return start < end ? [start, end] : null;
  }

  /** What of a span of a unit's text is coded: a part for each turn, in code points, with its words. */
  parts(unit, from, to) {
    const found = [];
    for (const piece of unit.pieces) {
      const [begin, stop] = [Math.max(from, piece.at), Math.min(to, piece.until)];
      if (begin >= stop) continue;
      const shift = piece.from - piece.at;
      const span = this.snapped(piece.turn, begin + shift, stop + shift);
      if (!span) continue;
      const [start, end] = [Math.max(span[0] - shift, piece.at), Math.min(span[1] - shift, piece.until)];
      const quote = unit.text.slice(start, end);
      found.push({ start: codePoints(unit.text.slice(0, start)), end: codePoints(unit.text.slice(0, end)), quote });
    }
    return found;
  }

  // ------------------------------------------------------------------------------------- build

  build() {
    this.root = element("section", "panel", undefined, { "aria-label": `Transcript ${this.data.transcript.name}` });
    this.root.dataset.kind = this.data.kind;
    this.where = element("nav", "where", undefined, { "aria-label": "What is left" });
    this.text = element("div", "text");
    this.live = element("p", "live", "", { role: "status", "aria-live": "polite" });
    this.slipHeld = null;
    let [question, condition] = ["", ""];
    for (const turn of this.turns) {
      if (turn.question !== question || turn.condition !== condition) {
        [question, condition] = [turn.question, turn.condition];
        const name = this.partName(turn);
        if (name) this.text.append(element("h2", "part", name));
      }
      this.text.append(this.buildTurn(turn));
    }
    this.hand = this.buildHand();
    this.root.append(this.where, this.text, this.hand, this.live);
    this.root.addEventListener("keydown", (event) => this.onKey(event));
    this.text.addEventListener("focusin", (event) => this.followFocus(event));
    this.onPointerUp = (event) => this.chooseByPointer(event);
    document.addEventListener("pointerup", this.onPointerUp);
    this.parent.append(this.root);
    this.draw(this.unitsById.keys());
  }

  partName(turn) {
    const question = (this.data.questions || {})[turn.question] || turn.question || "";
    const condition = turn.condition ? this.conditions.get(turn.condition) || turn.condition : "";
    return [question, condition].filter(Boolean).join(" · ");
  }

  buildTurn(turn) {
    const box = element("div", `turn ${turn.pieces.length ? "own" : "other"}`);
    const who = element("p", "who", turn.role === "unknown" ? "speaker unknown" : turn.role);
    if (turn.time) who.append(" ", element("span", "time", turn.time));
    const language = this.data.transcript.language || "";
    turn.words = element("div", "words", undefined, { dir: "auto", ...(language ? { lang: language } : {}) });
    let at = 0;
    for (const piece of turn.pieces) {
      if (piece.from > at) turn.words.append(turn.text.slice(at, piece.from));
      turn.words.append(this.buildPiece(piece));
      at = piece.to;
    }
    if (at < turn.text.length) turn.words.append(turn.text.slice(at));
    box.append(who, turn.words);
    if (turn.translation) {
      box.classList.add("wbp-two");
      box.append(element("div", "translation", turn.translation, { dir: "auto" }));
    }
    if (turn.closes.length) box.append((turn.notes = element("ul", "notes", undefined, { "aria-label": "Notes" })));
    for (const unit of turn.closes) box.append(unit.name, unit.said);
    return box;
  }

  buildPiece(piece) {
    const { unit, turn } = piece;
    const isFirst = unit.pieces[0] === piece;
    piece.box = element("span", "unit");
    piece.box.dataset.unit = unit.id;
    piece.box.id = `${this.id}-${unit.order}-${unit.pieces.indexOf(piece)}`;
    if (piece.from === 0 && piece.to === turn.text.length) piece.box.classList.add("wbp-alone");
    piece.box.append(piece.text);
    if (isFirst) {
      piece.box.tabIndex = -1;
      piece.box.setAttribute("role", "group");
      unit.box = piece.box;
      const parts = unit.pieces.map((_, place) => `${this.id}-${unit.order}-${place}`);
      piece.box.setAttribute("aria-labelledby", [unit.name.id, ...parts, unit.said.id].join(" "));
    }
    return piece.box;
  }

  buildHand() {
    const hand = element("div", "hand", undefined, { role: "group", "aria-label": "Coding" });
    this.recent = element("span", "recent");
    this.left = element("span", "left");
    this.kept = element("span", "kept");
    this.undoButton = button("do", "Undo", () => this.undo(), { title: "z" });
    this.redoButton = button("do", "Redo", () => this.redo(), { title: "y" });
    const first = element("div", "row");
    first.append(
      this.keyed("Code", "Enter", () => this.openSlip()),
      this.keyed("Nothing applies", "0", () => this.rateNothing()),
      this.keyed("Memo", "m", () => this.openMemo()),
      this.recent,
    );
    const second = element("div", "row");
    second.append(
      this.left,
      this.keyed("Next uncoded", "n", () => this.goToNextOpen()),
      this.undoButton,
      this.redoButton,
      this.kept,
      this.keys(),
    );
    hand.append(first, second);
    return hand;
  }

  keyed(text, key, act) {
    const made = button("do", text, act);
    made.append(element("kbd", "key", key));
    return made;
  }

  keys() {
    const list = [
      ["↑ ↓", "the unit before or after"],
      ["Enter", "find a code"],
      ["1 to 9", "a code used lately"],
      ["/", "what the last code here is about, and how"],
      ["0", "nothing applies"],
      ["m", "memo"],
      ["n", "next uncoded"],
      ["z, y", "undo, redo"],
      ["Tab", "the notes of the unit"],
      ["Enter", "on a note: change it"],
      ["Delete", "on a note: remove it"],
      ["?", "these keys"],
    ];
    if (this.data.kind === "spans") list.push(["← →", "a word; with Shift: more or fewer words"], [". ,", "one letter more or fewer"]);
    const box = element("details", "keys");
    box.append(element("summary", "", "Keys"));
    const table = element("dl");
    for (const [key, what] of list) table.append(element("dt", "", key), element("dd", "", what));
    box.append(table);
    this.keysBox = box;
    return box;
  }

  showKeys() {
    this.keysBox.open = !this.keysBox.open;
    if (!this.keysBox.open) this.current?.box.focus();
  }

  // -------------------------------------------------------------------------------------- draw

  /** Draw units anew, and with them what is said of all. */
  draw(ids) {
    const turns = new Set();
    for (const id of ids) {
      const unit = this.unitsById.get(id);
      if (!unit) continue;
      unit.isRated = this.ledger.isRated(id);
      turns.add(unit.last);
    }
    for (const turn of turns) this.drawNotes(turn);
    this.drawHand();
  }

  codings(unit) {
    const codings = this.ledger.held(unit.id, "coding").map((one) => ({ ...one, ...one.content }));
    return codings.sort((a, b) => (a.start ?? 0) - (b.start ?? 0) || (a.end ?? 0) - (b.end ?? 0));
  }

  drawNotes(turn) {
    const hadFocus = turn.notes.contains(document.activeElement);
    const notes = [];
    let count = 0;
    const next = () => this.sign((count += 1));
    for (const unit of turn.closes) {
      const codings = this.codings(unit);
      const held = [...(codings.length ? [] : this.ledger.held(unit.id, "rated")), ...this.ledger.held(unit.id, "memo")];
      const shared = this.data.kind === "sentences" && codings.length + held.length ? next() : "";
      for (const one of codings) one.sign = this.data.kind === "spans" ? next() : shared;
      for (const piece of unit.pieces) this.drawPiece(piece, codings, shared);
      unit.said.textContent = this.summary(unit, codings);
      unit.noteParts = [
        ...codings.map((one) => this.codingNote(unit, one)),
        ...held.map((one) => (one.kind === "memo" ? this.memoNote(unit, one, shared) : this.ratedNote(unit, one, shared))),
      ];
      notes.push(...unit.noteParts);
    }
    turn.notes.replaceChildren(...notes.map((one) => one.box));
    turn.notes.hidden = !notes.length;
    this.setTabs();
    if (hadFocus) this.current.box.focus();
  }

  unitWord() {
    return UNIT_WORDS[this.data.kind];
  }

  /** a … z, aa, ab, … */
  sign(number) {
    const letter = String.fromCharCode(97 + ((number - 1) % 26));
    return number > 26 ? this.sign(Math.floor((number - 1) / 26)) + letter : letter;
  }

  summary(unit, codings) {
    if (codings.length) return `Coded: ${codings.map((one) => this.spoken(one)).join("; ")}.`;
    return unit.isRated ? "Nothing applies." : "Not coded yet.";
  }

  spoken(coding) {
    const about = coding.about.length ? `, about ${this.about(coding).join(" and ")}` : "";
    return `${coding.code}${about}${coding.stance ? `, ${coding.stance}` : ""}`;
  }

  about(coding) {
    return coding.about.map((id) => this.conditions.get(id) || id);
  }

  drawPiece(piece, codings, sign) {
    const { unit, box } = piece;
    box.classList.toggle("wbp-coded", codings.length > 0);
    box.classList.toggle("wbp-open", !unit.isRated && piece === unit.pieces.at(-1));
    if (sign && piece === unit.pieces[0]) box.dataset.sign = sign;
    else delete box.dataset.sign;
    if (this.data.kind !== "spans") return;
    const spans = codings
      .filter((one) => one.start !== null)
      .map((one) => ({ sign: one.sign, from: unitsAt(unit.text, one.start), to: unitsAt(unit.text, one.end) }))
      .filter((one) => one.to > piece.at && one.from < piece.until);
    box.replaceChildren(...this.ruled(piece, inLanes(spans)));
  }

  /** A piece's words cut at all edges of spans, each cut with a thin rule for every span over it. */
  ruled(piece, spans) {
    const edges = new Set([piece.at, piece.until]);
    for (const one of spans) for (const place of [one.from, one.to]) if (place > piece.at && place < piece.until) edges.add(place);
    const places = Array.from(edges).sort((a, b) => a - b);
    return places.slice(1).map((to, index) => {
      const from = places[index];
      const words = piece.text.slice(from - piece.at, to - piece.at);
      const over = spans.filter((one) => one.from < to && one.to > from);
      if (!over.length) return document.createTextNode(words);
      const cut = element("span", "cut", words);
      const rules = over.map((one) => RULES[one.lane % RULES.length]);
      cut.style.backgroundImage = rules.map(([name]) => `var(--wbp-${name})`).join(", ");
      cut.style.backgroundSize = rules.map(([, size]) => size).join(", ");
      cut.style.backgroundPosition = over.map((one) => `0 calc(100% - ${(one.lane % RULES.length) * 3}px)`).join(", ");
      const begins = over.filter((one) => Math.max(one.from, piece.at) === from).map((one) => one.sign);
      if (begins.length) cut.dataset.sign = begins.join(" ");
      return cut;
    });
  }

  codingNote(unit, coding) {
    const edit = button("note-words", undefined, () => this.openSlip({ unit, coding }));
    edit.append(...this.signed(coding.sign), element("b", "code", coding.code));
    const label = this.codes.get(coding.code)?.label;
    if (label && label !== coding.code) edit.append(" ", element("span", "label", label, { dir: "auto" }));
    if (coding.about.length) edit.append(" · ", element("span", "", `about ${this.about(coding).join(", ")}`));
    if (coding.stance) edit.append(" · ", element("span", "stance", coding.stance));
    return this.note(unit, coding, edit, coding.code);
  }

  signed(sign) {
    return sign ? [element("span", "sign", sign), " "] : [];
  }

  ratedNote(unit, rated, sign) {
    const words = element("span");
    words.append(...this.signed(sign), element("span", "nothing", "nothing applies"));
    return this.note(unit, rated, words, "nothing applies");
  }

  memoNote(unit, memo, sign) {
    const edit = button("note-words", undefined, () => this.openMemo(unit));
    edit.append(...this.signed(sign), element("span", "label", "memo"), " ", element("i", "", memo.content.text, { dir: "auto" }));
    return this.note(unit, memo, edit, "memo");
  }

  note(unit, held, words, name) {
    const box = element("li", "note");
    const kept = element("span");
    const about = { "aria-label": `remove ${name}`, title: "Delete" };
    box.append(words, button("remove", "remove", () => this.withdraw(unit, held, name), about), kept);
    const made = { box, held, kept };
    this.sayKept(made);
    return made;
  }

  sayKept(note) {
    const isWaiting = this.ledger.waiting.has(note.held.id);
    note.kept.className = isWaiting ? "wbp-wait" : "wbp-has";
    note.kept.textContent = isWaiting ? "not stored yet" : this.data.kept || "stored";
  }

  drawKept(unit) {
    for (const note of unit?.noteParts ?? []) this.sayKept(note);
  }

  drawHand() {
    const open = this.units.filter((unit) => !unit.isRated);
    const words = `${this.unitWord()}${this.units.length === 1 ? "" : "s"}`;
    this.left.textContent = open.length ? `${open.length} of ${this.units.length} ${words} left` : `All ${this.units.length} ${words} coded`;
    this.undoButton.disabled = !this.ledger.done.length;
    this.redoButton.disabled = !this.ledger.undone.length;
    const waiting = this.ledger.waiting.size;
    this.kept.textContent = waiting ? `${waiting} not stored yet` : this.ledger.ids.size ? `all ${this.data.kept || "stored"}` : "";
    this.kept.classList.toggle("wbp-wait", waiting > 0);
    this.drawRecent();
    this.drawWhere(open);
  }

  drawRecent() {
    const slots = this.ledger.slots.map((one) => one.code);
    const face = slots.join("\n");
    if (face === this.recentFace) return;
    this.recentFace = face;
    this.recent.replaceChildren(
      ...slots.map((code, place) => {
        const made = button("do", undefined, () => this.applySlot(place + 1));
        made.append(element("kbd", "key", String(place + 1)), code);
        return made;
      }),
    );
  }

  /** How many units are left in each part, each a way there. */
  drawWhere(open) {
    const parts = new Map();
    for (const unit of open) {
      const name = this.partName(unit.pieces[0].turn) || "The transcript";
      if (!parts.has(name)) parts.set(name, { first: unit, count: 0 });
      parts.get(name).count += 1;
    }
    const face = Array.from(parts, ([name, one]) => `${name} ${one.count} ${one.first.id}`).join("\n");
    if (face === this.whereFace) return;
    this.whereFace = face;
    const said = element("span", "", parts.size ? "Left: " : "Nothing is left to code here.");
    this.where.replaceChildren(
      said,
      ...Array.from(parts, ([name, one]) => button("do", `${name} ${one.count}`, () => this.moveTo(one.first, { focus: true }))),
    );
  }

  /** Give the keys to the current unit where nothing else on the page has them. */
  takeKeys() {
    if (document.activeElement === document.body) this.current?.box.focus({ preventScroll: true });
  }

  say(words) {
    this.live.textContent = words;
  }

  // -------------------------------------------------------------------------------------- move

  moveTo(unit, { focus = true } = {}) {
    if (!unit) return;
    const before = this.current;
    this.current = unit;
    if (before !== unit) this.words = null;
    for (const one of [before, unit]) {
      if (!one) continue;
      for (const piece of one.pieces) piece.box.classList.toggle("wbp-current", one === unit);
      one.box.tabIndex = one === unit ? 0 : -1;
    }
    this.setTabs(before);
    if (!focus) return;
    unit.box.focus({ preventScroll: true });
    unit.box.scrollIntoView({ block: "nearest" });
  }

  /** The unit that has the focus is the current one, however it came there. */
  followFocus(event) {
    const unit = this.unitsById.get(event.target.dataset.unit);
    if (unit && unit !== this.current) this.moveTo(unit, { focus: false });
  }

  /** Only the notes of the current unit are reached by Tab. */
  setTabs(before) {
    for (const unit of [before, this.current]) {
      if (!unit) continue;
      for (const one of unit.last.closes)
        for (const note of one.noteParts || [])
          for (const made of note.box.querySelectorAll("button")) made.tabIndex = one === this.current ? 0 : -1;
    }
  }

  nextOpen(order) {
    const after = this.units.slice(order + 1).find((unit) => !unit.isRated);
    return after ?? this.units.find((unit) => !unit.isRated);
  }

  goToNextOpen() {
    const next = this.nextOpen(this.current ? this.current.order : -1);
    if (next) this.moveTo(next);
    this.say(next ? `${this.unitWord()} ${next.order + 1}` : `All ${this.units.length} are coded.`);
  }

  onKey(event) {
    if (event.defaultPrevented || event.isComposing) return;
    if (event.target.closest(".wbp-slip")) return;
    if (!this.text.contains(event.target)) {
      this.onKeyBeside(event);
      return;
    }
    const note = event.target.closest(".wbp-note");
    if (note) {
      if (["Delete", "Backspace"].includes(event.key)) this.handled(event, () => note.querySelector(".wbp-remove").click());
      else if (event.key === "Escape") this.handled(event, () => this.current.box.focus());
      return;
    }
    if (!event.target.closest(".wbp-unit") || event.altKey) return;
    const action = this.action(event);
    if (action) this.handled(event, action);
  }

  /** On a button of the panel a key does what it does on a unit; Enter, space and Tab stay the button's. */
  onKeyBeside(event) {
    const isOpen = this.keysBox.open;
    if (!this.current || event.altKey || ["Enter", " ", "Tab"].includes(event.key)) return;
    const action = event.key === "Escape" ? () => (isOpen ? this.showKeys() : this.current.box.focus()) : this.action(event);
    if (action) this.handled(event, action);
  }

  handled(event, action) {
    event.preventDefault();
    event.stopPropagation();
    action();
  }

  action(event) {
    const control = event.ctrlKey || event.metaKey;
    if (control) {
      if (event.key.toLowerCase() === "z") return () => (event.shiftKey ? this.redo() : this.undo());
      return event.key.toLowerCase() === "y" ? () => this.redo() : null;
    }
    if (/^[1-9]$/.test(event.key)) return () => this.applySlot(Number(event.key));
    const step = (by) => () => this.moveTo(this.units[this.current.order + by]);
    const sideways = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
    if (sideways) {
      const place = this.words?.[1] ?? 0;
      const piece = this.current.pieces.find((one) => place <= one.until) ?? this.current.pieces.at(-1);
      const by = getComputedStyle(piece.turn.words).direction === "rtl" ? -sideways : sideways;
      if (this.data.kind === "spans") return () => this.chooseWord(by, event.shiftKey);
      return this.data.kind === "sentences" ? step(by) : null;
    }
    const actions = {
      ArrowUp: step(-1),
      ArrowDown: step(1),
      Home: () => this.moveTo(this.units[0]),
      End: () => this.moveTo(this.units.at(-1)),
      Enter: () => this.openSlip(),
      Escape: () => this.chooseNothing(),
      0: () => this.rateNothing(),
      m: () => this.openMemo(),
      n: () => this.goToNextOpen(),
      z: () => this.undo(),
      y: () => this.redo(),
      "/": () => this.changeLast(),
      "?": () => this.showKeys(),
    };
    if (this.data.kind === "spans") Object.assign(actions, { ".": () => this.chooseLetter(1), ",": () => this.chooseLetter(-1) });
    return Object.hasOwn(actions, event.key) ? actions[event.key] : null;
  }

  // --------------------------------------------------------------------------------- selection

  chooseNothing() {
    this.words = null;
    getSelection().removeAllRanges();
  }

  chooseWord(by, isMore) {
    const unit = this.current;
    unit.words ||= segments(unit.text, "word");
    const { words } = unit;
    const [from, to] = this.words ?? [by > 0 ? 0 : unit.text.length, by > 0 ? 0 : unit.text.length];
    let span = null;
    if (isMore && this.words) {
      if (by > 0) span = [from, words.find(([, end]) => end > to)?.[1] ?? to];
      else span = [from, words.findLast(([start, end]) => end < to && start >= from)?.[1] ?? to];
    } else {
      span = by > 0 ? words.find(([start]) => start >= to) : words.findLast(([, end]) => end <= from);
    }
    if (span) this.chooseWords(span);
  }

  chooseLetter(by) {
    if (!this.words) return;
    const [from, to] = this.words;
    this.current.letters ||= segments(this.current.text, "grapheme");
    const ends = this.current.letters.map(([, end]) => end);
    const end = by > 0 ? ends.find((one) => one > to) : ends.findLast((one) => one < to && one > from);
    if (end) this.chooseWords([from, end]);
  }

  /** Choose a span of the current unit's text, and show it as the page's selection. */
  chooseWords([from, to]) {
    this.words = [from, to];
    const start = this.placeOf(this.current, from, false);
    const end = this.placeOf(this.current, to, true);
    if (start && end) getSelection().setBaseAndExtent(...start, ...end);
    this.say(this.current.text.slice(from, to));
  }

  placeOf(unit, place, isEnd) {
    const piece = unit.pieces.find((one) => (isEnd ? place > one.at && place <= one.until : place >= one.at && place < one.until));
    if (!piece) return null;
    let left = place - piece.at;
    const walker = document.createTreeWalker(piece.box, NodeFilter.SHOW_TEXT);
    for (let node = walker.nextNode(); node; node = walker.nextNode()) {
      if (left <= node.length) return [node, left];
      left -= node.length;
    }
    return null;
  }

  chooseByPointer(event) {
    if (event.target.closest?.(".wbp-slip, button, summary")) return;
    const selection = getSelection();
    const isInside = selection.rangeCount > 0 && this.text.contains(selection.getRangeAt(0).commonAncestorContainer);
    if (this.data.kind === "spans" && isInside && !selection.isCollapsed) {
      this.openForSelection(selection.getRangeAt(0));
      return;
    }
    if (!this.text.contains(event.target)) return;
    const box = event.target.closest(".wbp-unit");
    if (!box) {
      if (selection.isCollapsed && !this.slipHeld) this.current?.box.focus({ preventScroll: true });
      return;
    }
    const unit = this.unitsById.get(box.dataset.unit);
    if (this.slipHeld && this.slipHeld.unit !== unit) this.leaveSlip();
    this.words = null;
    this.moveTo(unit);
  }

  openForSelection(range) {
    const parts = [];
    for (const unit of this.units) {
      if (!unit.pieces.some((piece) => range.intersectsNode(piece.box))) continue;
      for (const piece of unit.pieces) {
        const span = this.inside(piece, range);
        if (span) parts.push(...this.parts(unit, span[0], span[1]).map((one) => ({ ...one, unit })));
      }
    }
    if (!parts.length) {
      this.say("Only the participant's words are coded; none are selected.");
      return;
    }
    this.moveTo(parts[0].unit, { focus: false });
    this.openSlip({ unit: parts[0].unit, parts });
  }

  /** What of a piece lies in a range, in places of the unit's text. */
  inside(piece, range) {
    const { words, text } = piece.turn;
    const place = (node, offset, outside) => {
      if (!words.contains(node)) return outside;
      const before = document.createRange();
      before.selectNodeContents(words);
      before.setEnd(node, offset);
      return before.toString().length;
    };
    const whole = document.createRange();
    whole.selectNodeContents(words);
    if (range.compareBoundaryPoints(Range.END_TO_START, whole) >= 0 || range.compareBoundaryPoints(Range.START_TO_END, whole) <= 0) return null;
    const span = this.snapped(piece.turn, place(range.startContainer, range.startOffset, 0), place(range.endContainer, range.endOffset, text.length));
    if (!span) return null;
    const [from, to] = [Math.max(span[0], piece.from), Math.min(span[1], piece.to)];
    return from < to ? [from - piece.from + piece.at, to - piece.from + piece.at] : null;
  }

  // ---------------------------------------------------------------------------------- decisions

  /** Where a code goes: the selected words, or all of the current unit. */
  target() {
    const unit = this.current;
    if (this.data.kind !== "spans") return { unit, parts: [{ unit, start: null, end: null, quote: "" }] };
    const [from, to] = this.words ?? [0, unit.text.length];
    return { unit, parts: this.parts(unit, from, to).map((one) => ({ ...one, unit })) };
  }

  apply(target, { code, about, stance, instead = null }) {
    const changes = target.parts.map((part) => this.codingChange(part, code, about, stance));
    const isBare = !instead && !about.length && !stance;
    if (isBare && changes.every((one) => this.ledger.present.get(`coding ${one.key}`)?.content)) {
      this.say(`${code} stands here already.`);
      return;
    }
    if (instead && !changes.some((one) => one.key === instead.key)) {
      changes.unshift({ kind: "coding", key: instead.key, content: null });
    }
    for (const unit of new Set(target.parts.map((part) => part.unit)))
      for (const rated of this.ledger.held(unit.id, "rated")) changes.push({ kind: "rated", key: rated.key, content: null });
    this.decide(changes);
    this.words = null;
    this.say(`${this.spoken({ code, about, stance })}: applied. ${this.left.textContent}.`);
  }

  codingChange(part, code, about, stance) {
    const place = part.start === null ? WHOLE : `${part.start}-${part.end}`;
    const key = `${this.ledger.prefix}${part.unit.id}/${place}/${code}/${this.data.by}`;
    const { start, end, quote } = part;
    const content = { participant: part.unit.participant, unit: part.unit.id, start, end, quote, code, about, stance };
    return { kind: "coding", key, content };
  }

  applySlot(number) {
    const slot = this.ledger.slots[number - 1];
    if (slot) this.apply(this.target(), { code: slot.code, about: [], stance: "" });
    else this.say(`No code has the digit ${number} yet.`);
  }

  rateNothing() {
    const unit = this.current;
    if (!unit) return;
    if (this.codings(unit).length) {
      this.say("Codes stand here; remove them first if nothing applies.");
      return;
    }
    const key = `${this.ledger.prefix}${unit.id}/${this.data.by}`;
    if (this.ledger.held(unit.id, "rated").length) return;
    this.decide([{ kind: "rated", key, content: { participant: unit.participant, unit: unit.id } }]);
    this.say(`Nothing applies. ${this.left.textContent}.`);
  }

  writeMemo(unit, text) {
    const held = this.ledger.held(unit.id, "memo")[0];
    if (text === (held?.content.text ?? "")) return;
    const content = text ? { on: "unit", name: unit.id, text } : null;
    this.decide([{ kind: "memo", key: held?.key ?? `unit/${unit.id}/${newId()}`, content }]);
    this.say(text ? "Memo kept." : "Memo removed.");
  }

  withdraw(unit, held, name) {
    this.moveTo(unit);
    this.decide([{ kind: held.kind, key: held.key, content: null }]);
    unit.box.focus();
    this.say(`Removed: ${name}. ${this.left.textContent}.`);
  }

  undo() {
    const move = this.ledger.done.at(-1);
    if (!move) return this.say("Nothing to undo.");
    return this.goBack(move, "undo", "before", "Undone");
  }

  redo() {
    const move = this.ledger.undone.at(-1);
    if (!move) return this.say("Nothing to redo.");
    return this.goBack(move, "redo", "after", "Done again");
  }

  goBack(move, why, side, word) {
    const steps = why === "undo" ? [...move].reverse() : move;
    this.closeSlip();
    this.decide(steps.map((one) => ({ kind: one.kind, key: one.key, content: one[side] })), why);
    this.moveTo(this.unitsById.get(steps[0].unit));
    this.say(`${word}. ${this.left.textContent}.`);
  }

  /** One move: its operations share a time, are drawn, and then go to the host. */
  decide(changes, why = "") {
    const at = this.ledger.time();
    const { round, by, version, transcript } = this.data;
    const operations = changes.map(({ kind, key, content }) => ({
      id: newId(), by, kind, key, content, round, transcript: transcript.name, version, why, at,
    }));
    this.draw(this.ledger.take(operations, false));
    this.callbacks.onOperations?.(operations);
  }

  // --------------------------------------------------------------------------------------- slip

  openSlip(given = undefined) {
    const unit = given?.unit ?? this.current;
    if (!unit) return;
    let parts = given?.parts;
    if (given?.coding) {
      const { start, end, quote } = given.coding;
      parts = [{ unit, start, end, quote }];
    }
    this.moveTo(unit, { focus: false });
    this.showSlip(unit, new CodeSlip(this, unit, parts ?? this.target().parts, given?.coding ?? null));
  }

  /** The code put last on the current unit, to say what it is about and how. */
  changeLast() {
    const last = this.ledger.held(this.current.id, "coding").at(-1);
    if (!last) {
      this.say("No code stands here yet.");
      return;
    }
    this.openSlip({ unit: this.current, coding: { ...last, ...last.content } });
    this.slipHeld.saySides();
  }

  openMemo(unit = this.current) {
    if (!unit) return;
    this.moveTo(unit, { focus: false });
    this.showSlip(unit, new MemoSlip(this, unit));
  }

  /** Keep the chosen words in sight while the focus is elsewhere. */
  lift(range) {
    if (!globalThis.CSS?.highlights) return;
    if (range) CSS.highlights.set("wbp-chosen", new Highlight(range.cloneRange()));
    else CSS.highlights.delete("wbp-chosen");
  }

  showSlip(unit, slip) {
    this.leaveSlip();
    const selection = getSelection();
    if (this.data.kind === "spans" && !selection.isCollapsed && this.text.contains(selection.anchorNode)) this.lift(selection.getRangeAt(0));
    this.slipHeld = slip;
    unit.last.notes.after(slip.box);
    slip.focus();
    slip.box.scrollIntoView({ block: "nearest" });
  }

  /** Going elsewhere keeps the memo that was being written. */
  leaveSlip() {
    const slip = this.slipHeld;
    this.closeSlip();
    slip?.keep?.();
  }

  closeSlip({ focus = false } = {}) {
    if (!this.slipHeld) return;
    const { unit, box } = this.slipHeld;
    this.slipHeld = null;
    box.remove();
    this.lift(null);
    if (focus) this.moveTo(unit);
  }
}

/** A lane for each span, so that spans over the same words have rules of their own. */
function inLanes(spans) {
  const ends = [];
  return [...spans]
    .sort((a, b) => a.from - b.from || b.to - a.to)
    .map((one) => {
      let lane = ends.findIndex((end) => end <= one.from);
      if (lane < 0) lane = ends.length;
      ends[lane] = one.to;
      return { ...one, lane };
    });
}

// ----------------------------------------------------------------------------------------- slips

function slipBox(panel, name) {
  const box = element("div", "slip", undefined, { role: "group", "aria-label": name, lang: "en", dir: "ltr" });
  box.addEventListener("keydown", (event) => {
    if (event.key === "Escape") panel.handled(event, () => panel.closeSlip({ focus: true }));
  });
  return box;
}

class MemoSlip {
  constructor(panel, unit) {
    Object.assign(this, { panel, unit });
    this.box = slipBox(panel, `Memo on ${unit.id}`);
    this.field = element("textarea", "field", undefined, { rows: "3", id: `${panel.id}-memo`, dir: "auto" });
    this.field.value = panel.ledger.held(unit.id, "memo")[0]?.content.text ?? "";
    const keep = () => {
      panel.leaveSlip();
      panel.moveTo(unit);
    };
    this.box.addEventListener("keydown", (event) => {
      if (event.key === "Enter" && (event.ctrlKey || event.metaKey)) panel.handled(event, keep);
    });
    const row = element("div", "row");
    const keepButton = button("do", "Keep", keep);
    keepButton.append(element("kbd", "key", "Ctrl+Enter"));
    row.append(keepButton, button("do", "Close", () => panel.closeSlip({ focus: true })));
    this.box.append(element("label", "asked", `Memo on ${unit.id}`, { for: this.field.id }), this.field, row);
  }

  keep() {
    this.panel.writeMemo(this.unit, this.field.value.trim());
  }

  focus() {
    this.field.focus();
  }
}

class CodeSlip {
  constructor(panel, unit, parts, coding) {
    Object.assign(this, { panel, unit, parts, coding, active: -1 });
    this.box = slipBox(panel, `Code ${unit.id}`);
    this.build();
    if (coding) {
      this.find.value = coding.code;
      this.check(coding.about, coding.stance);
    }
    this.search();
    this.find.select();
  }

  focus() {
    this.find.focus();
  }

  /** Go on after the stroke; the code stays. */
  saySides() {
    this.find.value = `${this.coding.code} / `;
    this.find.setSelectionRange(this.find.value.length, this.find.value.length);
  }

  build() {
    const { panel } = this;
    const id = `${panel.id}-slip`;
    this.box.append(...this.quotes());
    this.find = element("input", "field", undefined, {
      id: `${id}-find`, type: "text", role: "combobox", autocomplete: "off", spellcheck: "false", dir: "auto",
      "aria-autocomplete": "list", "aria-expanded": "true", "aria-controls": `${id}-list`, "aria-describedby": `${id}-hint`,
    });
    this.list = element("ul", "list", undefined, { id: `${id}-list`, role: "listbox", "aria-label": "Codes" });
    this.rules = element("div", "rules", undefined, { "aria-live": "polite", dir: "auto" });
    const hint = element("p", "hint", `After a stroke: what it is about, and how. “${this.exampleWords()}”`, { id: `${id}-hint` });
    const asked = element("div", "asked-row");
    asked.append(element("label", "asked", this.coding ? `Change ${this.coding.code}` : "Find a code", { for: this.find.id }), this.find, hint);
    const choice = element("div", "choice");
    choice.append(this.list, this.rules);
    const row = element("div", "row");
    const applyButton = button("do main", "Apply", () => this.apply());
    applyButton.append(element("kbd", "key", "Enter"));
    row.append(applyButton, button("do", "Close", () => panel.closeSlip({ focus: true })));
    this.box.append(asked, choice, ...this.facets(id), row);
    this.find.addEventListener("input", () => this.search());
    this.box.addEventListener("keydown", (event) => this.onKey(event));
  }

  quotes() {
    if (this.parts[0]?.start === null) return [];
    const lines = this.parts.map((part) => element("p", "quote", `“${part.quote}”`, { dir: "auto" }));
    const turns = new Set(this.parts.map((part) => `${part.unit.id} ${part.unit.text.slice(0, unitsAt(part.unit.text, part.start)).split("\n").length}`));
    if (this.parts.length > 1 && turns.size > 1) {
      const words = `The words go over the end of a turn, so they are cut there: ${this.parts.length} spans get the code.`;
      lines.push(element("p", "hint", words, { role: "status" }));
    }
    return lines;
  }

  exampleWords() {
    const code = this.panel.data.codes[0]?.code.toLowerCase() ?? "code";
    const first = this.panel.data.conditions[0]?.id;
    return [`${code} /`, first, this.panel.data.stances === false ? "" : "against"].filter(Boolean).join(" ");
  }

  facets(id) {
    const { data } = this.panel;
    this.aboutBoxes = data.conditions.map((one) => {
      const box = element("input", "", undefined, { type: "checkbox", value: one.id });
      return { box, words: [one.id, one.label || one.id] };
    });
    const stances = data.stances === false ? [] : ["", ...STANCES];
    this.stanceBoxes = stances.map((one) => {
      const box = element("input", "", undefined, { type: "radio", name: `${id}-stance`, value: one });
      box.checked = one === "";
      return { box, words: [one] };
    });
    const made = [];
    if (this.aboutBoxes.length) made.push(this.facet("About", this.aboutBoxes, (one) => one.words[1]));
    if (stances.length) made.push(this.facet("Stance", this.stanceBoxes, (one) => one.words[0] || "none"));
    return made;
  }

  facet(name, boxes, label) {
    const group = element("fieldset", "facet");
    group.append(element("legend", "", name));
    for (const one of boxes) {
      const line = element("label", "choose");
      line.append(one.box, ` ${label(one)}`);
      group.append(line);
    }
    return group;
  }

  check(about, stance) {
    for (const one of this.aboutBoxes) one.box.checked = about.includes(one.box.value);
    for (const one of this.stanceBoxes) one.box.checked = one.box.value === stance;
  }

  search() {
    const [wanted, facets] = this.find.value.split(/\/(.*)/s);
    if (facets !== undefined) this.checkWords(facets);
    const isSameCode = facets !== undefined && !wanted.trim();
    const query = plain(isSameCode && this.coding ? this.coding.code : wanted.trim());
    if (query === this.query) return;
    this.query = query;
    this.found = ranked(this.panel.data.codes, query);
    this.options = this.found.map((code, place) => this.option(code, place));
    this.list.replaceChildren(...(this.options.length ? this.options : [element("li", "none", "No such code.", { role: "presentation" })]));
    this.activate(query && this.found.length ? 0 : -1);
  }

  option(code, place) {
    const line = element("li", "option", undefined, { role: "option", id: `${this.panel.id}-option-${place}`, "aria-selected": "false" });
    line.append(element("b", "code", code.code));
    if (code.label && code.label !== code.code) line.append(" ", element("span", "label", code.label, { dir: "auto" }));
    const slot = this.panel.ledger.slots.findIndex((one) => one.code === code.code);
    if (slot >= 0) line.append("\u00a0", element("kbd", "key", String(slot + 1)));
    line.addEventListener("pointermove", () => place !== this.active && this.activate(place, false));
    line.addEventListener("click", () => {
      this.activate(place);
      this.find.focus();
    });
    line.addEventListener("dblclick", () => this.apply());
    return line;
  }

  activate(place, isScrolled = true) {
    this.options[this.active]?.setAttribute("aria-selected", "false");
    this.active = place;
    const line = this.options[place];
    if (!line) this.find.removeAttribute("aria-activedescendant");
    else {
      line.setAttribute("aria-selected", "true");
      this.find.setAttribute("aria-activedescendant", line.id);
      if (isScrolled) line.scrollIntoView({ block: "nearest" });
    }
    this.showRules(this.found[place]);
  }

  showRules(code) {
    if (!code) {
      this.rules.replaceChildren(element("p", "hint", "Type, or go down the list, to read what a code means."));
      return;
    }
    const lines = [
      ["", code.definition], ["", code.full_definition], ["Use", code.when_to_use], ["Not", code.when_not_to_use],
      ["For example", code.example], ["A near miss", code.near_miss],
    ].filter(([, words]) => words);
    this.rules.replaceChildren(
      ...lines.map(([name, words]) => {
        const line = element("p", "rule");
        if (name) line.append(element("b", "rule-name", name), " ");
        line.append(words);
        return line;
      }),
    );
    if (!lines.length) this.rules.append(element("p", "hint", "The codebook says no more about this code."));
  }

  /** What stands after the stroke, by the beginnings of its words; of a code that is changed, what is not said stays. */
  checkWords(text) {
    const words = text.split(/[\s,+]+/).map(plain).filter(Boolean);
    const begins = (names, word) => names.some((name) => name && plain(name).startsWith(word));
    const stance = this.stanceBoxes.find((one) => words.some((word) => begins(one.words, word)));
    const about = this.aboutBoxes.filter((one) => words.some((word) => begins(one.words, word)));
    const held = this.coding ?? { about: [], stance: "" };
    this.check(about.length ? about.map((one) => one.box.value) : held.about, stance?.box.value ?? held.stance);
  }

  onKey(event) {
    if (event.isComposing) return;
    const isInField = event.target === this.find;
    const last = this.found.length - 1;
    const isFree = !this.panel.data.codes.some((one) => one.code.startsWith(event.key));
    if (isInField && !this.find.value && /^[1-9]$/.test(event.key) && isFree) this.panel.handled(event, () => this.takeSlot(event.key));
    else if (event.key === "Enter" && !event.target.closest("button")) this.panel.handled(event, () => this.apply({ stay: event.shiftKey }));
    else if (isInField && event.key === "ArrowDown") this.panel.handled(event, () => this.activate(Math.min(this.active + 1, last)));
    else if (isInField && event.key === "ArrowUp") this.panel.handled(event, () => this.activate(Math.max(this.active - 1, 0)));
  }

  takeSlot(digit) {
    const place = this.found.findIndex((one) => one.code === this.panel.ledger.slots[digit - 1]?.code);
    this.activate(place);
    this.apply();
  }

  apply({ stay = false } = {}) {
    const code = this.found[this.active]?.code;
    if (!code) {
      const words = "No code is chosen yet: type the beginning of one, or go down the list.";
      this.rules.replaceChildren(element("p", "hint wait", words));
      this.find.focus();
      return;
    }
    const about = this.aboutBoxes.filter((one) => one.box.checked).map((one) => one.box.value);
    const stance = this.stanceBoxes.find((one) => one.box.checked)?.box.value ?? "";
    const { panel, unit, parts, coding } = this;
    if (!stay) panel.closeSlip();
    panel.apply({ unit, parts }, { code, about, stance, instead: coding });
    if (!stay) panel.moveTo(unit);
    else {
      this.coding = null;
      this.find.value = "";
      this.check([], "");
      this.search();
      this.find.focus();
    }
  }
}

/** The codes that fit a query, best first; all of them where nothing is asked. */
function ranked(codes, query) {
  if (!query) return codes;
  const rank = (one) => {
    const [code, label] = [plain(one.code), plain(one.label || "")];
    if (code === query) return 0;
    if (code.startsWith(query)) return 1;
    if (label.split(/\s+/).some((word) => word.startsWith(query)) || label.startsWith(query)) return 2;
    if (code.includes(query) || label.includes(query)) return 3;
    return plain(`${one.definition || ""} ${one.theme || ""}`).includes(query) ? 4 : 5;
  };
  return codes
    .map((one, place) => ({ one, place, rank: rank(one) }))
    .filter((entry) => entry.rank < 5)
    .sort((a, b) => a.rank - b.rank || a.place - b.place)
    .map((entry) => entry.one);
}
