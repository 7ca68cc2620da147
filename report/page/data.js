
const began = performance.now();
const D = JSON.parse(document.getElementById("p:data").textContent);
// A row of D.mutants, by name; report/page_data.go writes them in this order.
const CODE = 0, OP = 1, PLACE = 2, STATUS = 3, TESTS = 4, NEW = 5, SAID = 6, KILLER = 7, LINE = 8, COLUMN = 9, LINES = 10, END = 11, TEXT = 12, ADVICE = 13, PROOF = 14;
const at = id => document.getElementById("p:" + id);

function idOf(m) {
  if (m[CODE][0] === "=") return m[CODE].slice(1);
  return D.places[m[PLACE]][2] + "." + D.ops[m[OP]][0].split("/")[1] + "." + m[CODE];
}
const classOf = m => D.places[m[PLACE]][1];
const fileOf = m => D.classes[classOf(m)][1];
const statusOf = m => D.status[m[STATUS]][0];
const isOpen = m => m[STATUS] < 2; // survived or unreached

const ids = new Map(), endings = new Map(), byFile = D.files.map(() => []);
D.mutants.forEach((m, i) => {
  const id = idOf(m), end = id.slice(id.lastIndexOf(".") + 1);
  ids.set(id, i);
  endings.set(end, endings.has(end) ? -1 : i);
  byFile[fileOf(m)].push(m);
});

// codeOf is the end of an ID that no other has, by which assay finds it.
function codeOf(m) {
  const id = idOf(m), end = id.slice(id.lastIndexOf(".") + 1);
  return endings.get(end) < 0 ? id : end;
}

function find(name) {
  const i = ids.has(name) ? ids.get(name) : endings.get(name);
  return i === undefined || i < 0 ? null : D.mutants[i];
}

// edit gives the lines that a mutant takes out and puts in, each with the part
// from a to b that the edit itself is. Lines that it leaves as they are at
// either end are not among them. before is the line, from 1, behind which they
// stand.
function edit(m) {
  if (m.edit) return m.edit;
  const all = raw(D.files[fileOf(m)]), first = m[LINE] - 1, last = first + m[LINES] - 1;
  const head = all[first].slice(0, m[COLUMN]), tail = all[last].slice(m[END]);
  const was = [], texts = (head + m[TEXT] + tail).split("\n");
  for (let n = first; n <= last; n++) was.push({n: n + 1, text: all[n], a: n === first ? m[COLUMN] : 0, b: n === last ? m[END] : all[n].length});
  let now = texts.map((text, i) => ({text, a: i ? 0 : head.length, b: i === texts.length - 1 ? text.length - tail.length : text.length}));
  let before = first;
  while (was.length && now.length && was[0].text === now[0].text) { was.shift(); now.shift(); before++; }
  while (was.length && now.length && was[was.length - 1].text === now[now.length - 1].text) { was.pop(); now.pop(); }
  if (now.every(l => /^[\s;]*$/.test(l.text))) now = [];
  return m.edit = {before, end: before + was.length, was, now};
}

// What is chosen; the address holds all of it. The values here are left out of it.
const DEFAULTS = {at: "", file: "", line: "", lines: "", status: "open", kind: "", op: "", class: "", new: "", text: "", sort: "worst", keys: ""};
const FILTERS = ["status", "kind", "op", "class", "new", "text"];
let S = {...DEFAULTS};

function address(state) {
  const parts = [];
  for (const name in DEFAULTS) if (state[name] !== DEFAULTS[name]) parts.push(name + "=" + encodeURIComponent(state[name]).replace(/%2F/g, "/").replace(/%5C/g, "\\"));
  return "#" + parts.join("&");
}

// parse reads an address. What it names and this page does not have is told.
function parse(hash) {
  const state = {...DEFAULTS}, lost = [];
  let text = hash.replace(/^#/, "");
  const decode = s => { try { return decodeURIComponent(s); } catch { return s; } };
  if (text && !/^[a-z]+=/.test(text)) return {state: {...state, at: decode(text)}, lost};
  for (const part of text ? text.split("&") : []) {
    const i = part.indexOf("="), name = part.slice(0, i), value = decode(part.slice(i + 1));
    if (i > 0 && name in DEFAULTS) state[name] = value; else lost.push(part);
  }
  return {state, lost};
}

// check gives what of a state this page does not have, and drops it.
function check(state) {
  const lost = [];
  const must = (name, ok) => { if (state[name] !== DEFAULTS[name] && !ok(state[name])) { lost.push(state[name]); state[name] = DEFAULTS[name]; } };
  must("at", id => find(id));
  must("file", path => D.files.some(f => f.path === path));
  must("status", s => s === "any" || D.status.some(x => x[0] === s));
  must("kind", k => D.kinds.some(x => x[0] === k));
  must("op", o => D.ops.some(x => x[0] === o || x[0].startsWith(o + "/")));
  must("class", c => D.classes.some(x => x[0] === c));
  must("new", n => n === "1");
  must("sort", s => s === "most" || s === "name");
  must("keys", k => k === "0");
  must("line", n => /^\d+$/.test(n) && state.file !== "" && +n <= raw(D.files.find(f => f.path === state.file)).length);
  must("lines", n => /^\d+(\.\d+)*$/.test(n));
  return lost;
}

function haystack(m) {
  if (m.hay === undefined) {
    const file = D.files[fileOf(m)];
    m.hay = [idOf(m), D.ops[m[OP]][0], file.path, D.places[m[PLACE]][0], m[TEXT], ...raw(file).slice(m[LINE] - 1, m[LINE] - 1 + m[LINES])].join("\n").toLowerCase();
  }
  return m.hay;
}

let chosenFor = null, chosenNow = null;
// chooser gives a function that says whether a mutant is chosen.
function chooser() {
  const wanted = JSON.stringify(FILTERS.map(f => S[f]));
  if (wanted !== chosenFor) { chosenFor = wanted; chosenNow = choose(); }
  return chosenNow;
}

function choose() {
  const word = S.text.trim().toLowerCase();
  let named = null;
  if (word) {
    const hit = D.tests.map(t => t.toLowerCase().includes(word));
    named = D.lists.map(list => list.some(t => hit[t]));
  }
  const kind = D.kinds.findIndex(k => k[0] === S.kind), op = D.ops.map(o => !S.op || o[0] === S.op || o[0].startsWith(S.op + "/"));
  return m => (S.status === "any" || (S.status === "open" ? isOpen(m) : statusOf(m) === S.status)) &&
    (!S.kind || D.ops[m[OP]][2] === kind) && op[m[OP]] && (!S.class || D.classes[classOf(m)][0] === S.class) && (!S.new || m[NEW] === 1) &&
    (!word || named[m[TESTS]] || haystack(m).includes(word));
}

// blocksOf gives what is shown of a file: mutants that change the same lines of
// one function are one block, and so is all that no test reaches of a function.
function blocksOf(file, chosen) {
  const opened = new Set(S.file === D.files[file].path ? S.lines.split(".") : []), blocks = new Map();
  const called = S.at ? find(S.at) : null;
  for (const m of byFile[file]) {
    if (!chosen(m) && m !== called && !opened.has(String(m[LINE]))) continue;
    const e = edit(m), bare = statusOf(m) === "unreached";
    const key = m[PLACE] + (bare ? " bare" : " " + e.before + " " + e.end);
    if (!blocks.has(key)) blocks.set(key, {file, bare, before: e.before, end: e.end, all: []});
    const b = blocks.get(key);
    b.all.push(m);
    if (bare && e.before < b.before) { b.before = e.before; b.end = e.end; }
  }
  return [...blocks.values()].sort((a, b) => a.end - b.end || a.before - b.before);
}
