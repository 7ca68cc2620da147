
// The page as a whole: the list, what is shown, the address, the keys.

const list = at("files"), desk = at("desk"), beside = at("beside"), source = at("source"), start = at("start");
const wideEnough = matchMedia("(min-width:74rem)");
const short = name => name.slice(name.lastIndexOf("\\") + 1);
let blocks = [], order = [], shownFile = -1, shownLines = "", current = null, listedFor = null, marked = null;

const tally = D.classes.map(() => ({all: 0, k: 0, s: 0, u: 0, chosen: 0, line: 0}));
for (const m of D.mutants) {
  const t = tally[classOf(m)], s = statusOf(m);
  if (!t.line) t.line = m[LINE];
  if (s === "survived") t.s++;
  else if (s === "unreached") t.u++;
  else if (s === "killed" || s === "timed_out") t.k++;
  else continue;
  t.all++;
}

const inFile = D.files.map(() => 0); // how many classes
for (const c of D.classes) inFile[c[1]]++;

function percent(t) {
  if (!t.all) return "–";
  const p = 100 * t.k / t.all, text = p.toFixed(1);
  return (text === "100.0" && p < 100 ? "99.9" : text === "0.0" && p > 0 ? "0.1" : text) + " %";
}

// sorted gives the indices of the classes in the order that is chosen.
function sorted() {
  const name = i => D.classes[i][0], share = t => t.all ? t.k / t.all : 2;
  const by = {
    worst: (a, b) => share(tally[a]) - share(tally[b]) || tally[b].s + tally[b].u - tally[a].s - tally[a].u,
    most: (a, b) => tally[b].s + tally[b].u - tally[a].s - tally[a].u,
    name: () => 0,
  }[S.sort];
  return D.classes.map((_, i) => i).sort((a, b) => by(a, b) || (name(a) < name(b) ? -1 : 1));
}

function entry(i) {
  const [title, file] = D.classes[i], t = tally[i], path = D.files[file].path;
  const parts = [t.s ? t.s + " survived" : "", t.u ? t.u + " unreached" : ""].filter(x => x);
  const bar = make("span", {class: "bar", "aria-hidden": "true"});
  for (const k of ["k", "s", "u"]) if (t[k]) { const x = make("i", {class: k}); x.style.width = 100 * t[k] / t.all + "%"; bar.append(x); }
  const a = make("a", {href: address({...S, at: "", lines: "", file: path, line: inFile[file] > 1 ? String(t.line) : ""}), "data-file": file},
    make("b", {title}, title === path ? path.slice(path.lastIndexOf("/") + 1) : short(title)), make("span", {}, percent(t)), bar,
    make("small", {}, (parts.join(", ") || (t.all ? "none survived" : "nothing counts")) + (t.all ? " of " + t.all : "")), make("small", {class: "place"}, path));
  return make("li", {}, a);
}

function listFiles(filtered) {
  const items = [], files = new Set();
  for (const i of sorted()) {
    if (filtered && !tally[i].chosen) continue;
    files.add(D.classes[i][1]);
    items.push(entry(i));
  }
  order = [...files];
  list.replaceChildren(...items);
  marked = null;
  if (!items.length) list.append(make("li", {}, make("p", {class: "count"}, "Nothing fits what is chosen.")));
}

// refilter counts what is chosen and lists the files that have some of it, if
// that is not what they were counted for.
function refilter() {
  const chosen = chooser(), wanted = chosenFor + S.sort + " " + S.keys;
  if (wanted === listedFor) return chosen;
  listedFor = wanted;
  for (const t of tally) t.chosen = 0;
  let n = 0, files = new Set();
  for (const m of D.mutants) if (chosen(m)) { n++; tally[classOf(m)].chosen++; files.add(fileOf(m)); }
  const filtered = FILTERS.some(f => S[f] !== DEFAULTS[f]);
  at("count").textContent = plural(n, "mutant") + " of " + D.mutants.length.toLocaleString("en") + (n ? " in " + plural(files.size, "file") : ". Nothing fits what is chosen") + ".";
  listFiles(filtered);
  return chosen;
}

function fileHead(file) {
  const path = D.files[file].path;
  const title = make("h2", {tabindex: "-1", id: "p:title"}, make("span", {class: "id"}, path));
  const step = (text, key, way) => { const b = make("button", {type: "button", title: text + " (" + key + ")", "aria-label": text}, way < 0 ? "↑" : "↓"); b.addEventListener("click", () => next(way)); return b; };
  return make("div", {class: "file"}, title, make("div", {class: "step"}, make("span", {id: "p:nth"}), step("Previous survivor", "p", -1), step("Next survivor", "n", 1)), ...placeLinks(file, 1, 1).map(a => { a.removeAttribute("id"); return a; }));
}

function showFile(file, chosen) {
  blocks = blocksOf(file, chosen);
  source.replaceChildren(fileHead(file), sourceOf(file, blocks));
  shownFile = file;
  shownLines = S.lines;
}

// call marks the block of a mutant and says what to write for it.
function call(m) {
  if (current && current.element) current.element.classList.remove("here");
  current = m ? blocks.find(b => b.all.includes(m)) : null;
  at("nth") && (at("nth").textContent = current ? (blocks.indexOf(current) + 1) + " of " + blocks.length + " in this file" : blocks.length + " in this file");
  if (!current) { invite(); tidy(); return; }
  fill(current.part);
  current.element.classList.add("here");
  fillBeside(current, m);
  dock();
  tidy();
}

// invite says how to come to the first block, where nothing is called yet.
function invite() {
  if (beside.parentElement !== desk) desk.append(beside);
  beside.classList.remove("inside");
  beside.hidden = shownFile < 0 || !wideEnough.matches;
  beside.replaceChildren(make("p", {class: "aside"}, blocks.length ? "Choose a change by its code, or press n for the first: what to write and the tests that run it stand here then." : "Nothing of this file fits what is chosen."));
}

// dock puts the advice beside the source, or under the block where there is no room.
function dock() {
  if (!current) { invite(); return; }
  const inside = !wideEnough.matches;
  beside.classList.toggle("inside", inside);
  if (inside) current.element.after(beside);
  else { if (beside.parentElement !== desk) desk.append(beside); beside.scrollTop = 0; }
}

function anchor() {
  const m = S.at ? find(S.at) : null;
  if (m) return source.querySelector('[data-at="' + codeOf(m) + '"]') || current.element.querySelector("a");
  if (S.line && view) fillLine(+S.line);
  const row = S.line ? source.querySelector('.l[data-n="' + S.line + '"]') : null;
  return row && (row.querySelector("button.m") || row);
}

// currentInList marks the file that is shown and brings it into view there.
function currentInList(file) {
  if (file === marked) return;
  marked = file;
  const pane = list.parentElement;
  let first = null;
  for (const a of list.querySelectorAll("a")) {
    if (+a.dataset.file !== file) { a.removeAttribute("aria-current"); continue; }
    a.setAttribute("aria-current", "true");
    first = first || a.parentElement;
  }
  if (first && (first.offsetTop < pane.scrollTop || first.offsetTop + first.offsetHeight > pane.scrollTop + pane.clientHeight)) pane.scrollTop = first.offsetTop - pane.clientHeight / 3;
}

// render shows what the state says. Focus goes to what an address names.
function render(how) {
  const m = S.at ? find(S.at) : null, file = m ? fileOf(m) : D.files.findIndex(f => f.path === S.file);
  const chosen = refilter();
  controls();
  start.hidden = file >= 0;
  source.hidden = file < 0;
  desk.classList.toggle("start", file < 0);
  if (file < 0) { source.replaceChildren(); forget(); blocks = []; shownFile = -1; call(null); }
  else {
    if (how !== "same" || file !== shownFile || S.lines !== shownLines || m && !blocks.some(b => b.all.includes(m))) showFile(file, chosen);
    call(m);
  }
  currentInList(file);
  if (how === "typed") return;
  const here = anchor();
  if (here) {
    const row = current ? null : here.closest(".l");
    if (row) { row.classList.add("target"); if (row === here) row.setAttribute("tabindex", "-1"); }
    const reveal = () => here.scrollIntoView({block: current ? "center" : "start"});
    reveal();
    here.focus({preventScroll: true});
    // Parts of a file have the height that they take only once they are seen.
    requestAnimationFrame(() => { const r = here.getBoundingClientRect(); if (r.top < 0 || r.bottom > innerHeight) reveal(); });
  } else if (file >= 0 && how !== "first") { at("main").scrollTop = 0; at("title").focus({preventScroll: wideEnough.matches}); }
  else if (how === "opened") { at("main").scrollTop = 0; at("main").focus(); }
}

// go changes the state and with it the address: a new entry of the browser's
// history where another place is shown.
function go(changes, how) {
  const state = {...S, ...changes}, hash = address(state);
  S = state;
  lost([]);
  try { history[how === "typed" || how === "same" ? "replaceState" : "pushState"](null, "", hash === "#" ? location.pathname + location.search : hash); } catch { ours = hash; location.hash = hash; }
  render(how || "opened");
}
let ours = null;

function lost(what) {
  const e = at("lost");
  e.hidden = !what.length;
  e.textContent = what.length ? "The address names what this page does not have: " + what.join(", ") + ". It may be of another run." : "";
}

function open(how) {
  if (ours === location.hash) { ours = null; return; }
  const read = parse(location.hash);
  read.lost.push(...check(read.state));
  S = read.state;
  if (S.at) { S.file = ""; S.line = ""; }
  render(how);
  lost(read.lost);
}

// next leads to the next or the previous block, over the ends of files.
function next(way) {
  const chosen = chooser(), firstOf = b => codeOf(b.all.find(chosen) || b.all[0]);
  const leads = b => b.all.some(chosen);
  let i = shownFile < 0 ? -1 : blocks.indexOf(current);
  if (shownFile >= 0) {
    if (!current) i = way > 0 ? -1 : blocks.length;
    for (i += way; i >= 0 && i < blocks.length; i += way) if (leads(blocks[i])) return go({at: firstOf(blocks[i]), file: "", line: "", lines: ""}, "same");
  }
  let f = order.indexOf(shownFile);
  if (f < 0 && way < 0) f = order.length;
  for (f += way; f >= 0 && f < order.length; f += way) {
    const found = blocksOf(order[f], chosen).filter(leads);
    if (found.length) return go({at: firstOf(found[way > 0 ? 0 : found.length - 1]), file: "", line: "", lines: ""});
  }
  said(way > 0 ? "That was the last one." : "That was the first one.");
}

function nextFile(way) {
  let f = order.indexOf(shownFile) + way;
  if (shownFile < 0 && way < 0) f = order.length - 1;
  if (f < 0 || f >= order.length) return said(way > 0 ? "That was the last file." : "That was the first file.");
  go({at: "", lines: "", line: "", file: D.files[order[f]].path});
}

function copyOf(name) { const m = S.at && find(S.at); if (m) copy(COPIES[name][2](m)); else said("Choose a change first, with n."); }

function filters(show) {
  at("choices").hidden = !show;
  at("filter").setAttribute("aria-expanded", String(show));
  if (show) at("status").focus();
}

const KEYS = {
  n: ["next survivor", () => next(1)], p: ["previous survivor", () => next(-1)],
  "]": ["next file", () => nextFile(1)], "[": ["previous file", () => nextFile(-1)],
  "/": ["search", () => at("text").focus()], f: ["filter", () => filters(at("choices").hidden)],
  c: ["copy the ID", () => copyOf("id")], i: ["copy assay inspect ID", () => copyOf("inspect")], k: ["copy a comment that skips it", () => copyOf("skip")],
  e: ["open in the editor", () => { const a = at("editor"); if (a) a.click(); else said("assay run --editor-url URL makes links to an editor."); }],
  s: ["start: what to fix first", () => go({at: "", file: "", line: "", lines: ""})],
  "?": ["this list", () => at("keys").showModal()],
};

// controls shows the state in the form.
function controls() {
  for (const name of ["status", "kind", "op", "class"]) if (at(name).value !== S[name]) at(name).value = S[name];
  if (document.activeElement !== at("text")) at("text").value = S.text;
  at("new").checked = S.new === "1";
  at("sort").value = S.sort;
  at("keyson").checked = S.keys !== "0";
  const n = FILTERS.filter(f => f !== "text" && S[f] !== DEFAULTS[f]).length;
  at("filter").textContent = n ? "Filter (" + n + ")" : "Filter";
}

function fillForm() {
  const used = n => { const c = new Map(); for (const m of D.mutants) c.set(m[n], (c.get(m[n]) || 0) + 1); return c; };
  const fill = (id, options) => at(id).append(...options.map(([value, text]) => make("option", {value}, text)));
  const byStatus = used(STATUS), byOp = used(OP);
  fill("status", [["open", "survived or unreached"], ["any", "any"], ...D.status.map((s, i) => [s[0], s[1] + " (" + (byStatus.get(i) || 0) + ")"]).filter((_, i) => byStatus.get(i))]);
  fill("kind", [["", "anything"], ...D.kinds.map(k => [k[0], k[1]])]);
  const families = [...new Set(D.ops.map(o => o[0].split("/")[0]))].sort();
  at("op").append(make("option", {value: ""}, "all"));
  for (const f of families) at("op").append(make("option", {value: f}, f), ...D.ops.map((o, i) => [o[0], i]).filter(o => o[0].startsWith(f + "/")).sort().map(([id, i]) => make("option", {value: id}, "  " + id.split("/")[1] + " (" + byOp.get(i) + ")")));
  fill("class", [["", "all"], ...[...new Set(D.classes.map(c => c[0]))].sort().map(c => [c, c])]);
  at("newlabel").hidden = !D.mutants.some(m => m[NEW]);
  at("keylist").append(...Object.entries(KEYS).flatMap(([k, [text]]) => [make("dt", {}, make("kbd", {}, k)), make("dd", {}, text)]));
}

function wire() {
  let waiting = 0;
  const form = at("form");
  at("text").addEventListener("input", () => { clearTimeout(waiting); waiting = setTimeout(() => go({text: at("text").value}, "typed"), 200); });
  form.addEventListener("submit", e => { e.preventDefault(); next(1); });
  form.addEventListener("change", e => { const n = e.target.id.slice(2); if (n === "new") go({new: e.target.checked ? "1" : ""}, "typed"); else if (n !== "text") go({[n]: e.target.value}, "typed"); });
  form.addEventListener("reset", e => { e.preventDefault(); const c = {}; for (const f of FILTERS) c[f] = DEFAULTS[f]; at("text").value = ""; go(c, "typed"); });
  at("filter").addEventListener("click", () => filters(at("choices").hidden));
  at("sort").addEventListener("change", e => go({sort: e.target.value}, "typed"));
  at("keyson").addEventListener("change", e => go({keys: e.target.checked ? "" : "0"}, "typed"));
  at("help").addEventListener("click", () => at("keys").showModal());
  at("skip").addEventListener("click", e => { e.preventDefault(); (source.querySelector(".code") || at("main")).focus(); });
  at("home").addEventListener("click", e => { e.preventDefault(); go({at: "", file: "", line: "", lines: ""}); });
  source.addEventListener("click", e => {
    const a = e.target.closest("a[data-at]"), m = e.target.closest("button.m");
    if (a && !e.ctrlKey && !e.metaKey && !e.shiftKey) { e.preventDefault(); go({at: a.dataset.at, file: "", line: ""}, "same"); }
    if (m) { const on = new Set(S.lines ? S.lines.split(".") : []), n = m.dataset.line; if (!on.delete(n)) on.add(n); go({at: "", file: D.files[shownFile].path, line: n, lines: [...on].join(".")}, "same"); }
  });
  source.addEventListener("focusin", e => {
    const part = partAt.get(e.target);
    if (!part || filled.has(part)) return;
    const back = e.relatedTarget && part.element.compareDocumentPosition(e.relatedTarget) & Node.DOCUMENT_POSITION_FOLLOWING;
    fill(part);
    const stops = part.element.querySelectorAll("a,button");
    (stops[back ? stops.length - 1 : 0] || source.querySelector(".code")).focus();
  });
  addEventListener("beforeprint", () => { if (view) view.parts.forEach(fill); });
  addEventListener("keydown", e => {
    if (e.key === "Escape" && !at("choices").hidden) { filters(false); at("filter").focus(); return; }
    if (e.ctrlKey || e.metaKey || e.altKey || S.keys === "0" || at("keys").open || e.target.matches("input:not([type=checkbox]),select,textarea")) return;
    const key = Object.hasOwn(KEYS, e.key) ? KEYS[e.key] : null;
    if (key) { e.preventDefault(); key[1](); }
  });
  wideEnough.addEventListener("change", dock);
  addEventListener("hashchange", () => open("opened"));
  addEventListener("popstate", () => open("opened"));
}

fillForm();
wire();
open("first");
document.documentElement.dataset.ready = Math.round(performance.now() - began) + " " + Math.round(performance.now());
