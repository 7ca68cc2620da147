
// What to write for the block that is called, and the tests that run it.

function said(text) { const e = at("told"); e.textContent = text; clearTimeout(said.timer); said.timer = setTimeout(() => { e.textContent = ""; }, 2500); }

function copy(text, name = text) {
  const done = () => said("Copied: " + name);
  const byHand = () => {
    const box = make("textarea", {});
    box.value = text;
    document.body.append(box);
    box.select();
    if (document.execCommand("copy")) done(); else said("This browser does not let the page copy. " + text);
    box.remove();
  };
  if (navigator.clipboard && window.isSecureContext) navigator.clipboard.writeText(text).then(done, byHand); else byHand();
}

const COPIES = {
  id: ["ID", "Copy ID", m => idOf(m)],
  inspect: ["inspect", "Copy inspect", m => "assay inspect " + codeOf(m)],
  skip: ["skip comment", "Copy skip comment", m => "// assay: skip " + D.ops[m[OP]][0] + " because "],
};

function copyButton(name, m) {
  const [text, label, what] = COPIES[name], b = make("button", {type: "button", title: what(m), "aria-label": label + " of " + codeOf(m)}, text);
  b.addEventListener("click", () => copy(what(m)));
  return b;
}

function editorLink(file, line, column) {
  if (!D.editor) return null;
  const path = D.root.replace(/\/$/, "") + "/" + D.files[file].path;
  return D.editor.replace(/%f/g, encodeURI(path).replace(/[?#&]/g, encodeURIComponent)).replace(/%l/g, line).replace(/%c/g, column);
}

function remoteLink(file, line) {
  if (!D.remote[1] || !D.files[file].link) return null;
  return D.remote[1].replace("%f", D.files[file].path.split("/").map(encodeURIComponent).join("/")).replace("%l", line);
}

function placeLinks(file, line, column) {
  const out = [], editor = editorLink(file, line, column), remote = remoteLink(file, line);
  if (editor) out.push(make("a", {class: "button", href: editor, id: "p:editor"}, "Open in editor"));
  if (remote) out.push(make("a", {class: "button", href: remote, rel: "noreferrer"}, "On " + D.remote[0]));
  return out;
}

function outcome(m) {
  const text = m[SAID] < 0 ? "" : D.said[m[SAID]];
  switch (statusOf(m)) {
    case "killed": return m[KILLER] < 0 ? "Killed " + text + "." : "Killed by " + D.tests[m[KILLER]] + " (" + text + ").";
    case "timed_out": return "The tests did not end in their time" + (m[KILLER] < 0 ? "." : ", in " + D.tests[m[KILLER]] + ".");
    default: return text;
  }
}

// proof shows a test that was found for a mutant; [] where there is none.
function proof(m) {
  if (m[PROOF] === undefined) return [];
  const [name, code, kills, diff] = D.proofs[m[PROOF]];
  const out = [make("p", {}, name), make("pre", {class: "proof"}, make("code", {}, code)), make("p", {}, kills)];
  if (diff) {
    const b = make("button", {type: "button", "aria-label": "Copy the test for " + codeOf(m) + " as a diff"}, "Copy diff");
    b.addEventListener("click", () => copy(diff, "the test as a diff"));
    out.push(make("div", {class: "tools"}, b));
  }
  return out;
}

// tests lists those that reach some of the mutants, by class.
function testList(ms) {
  const list = [], seen = new Set();
  for (const m of ms) for (const t of D.lists[m[TESTS]]) if (!seen.has(t)) { seen.add(t); list.push(t); }
  const green = ms.every(m => statusOf(m) === "survived"), one = list.length === 1;
  if (!list.length) return [];
  const out = [make("h3", {}, plural(list.length, "test") + (one ? " runs" : " run") + " this" + (green ? (one ? " and passes" : " and pass") : ""))];
  const classes = new Map();
  for (const t of list) {
    const [name, rest] = D.tests[t].split(/::(.*)/s);
    if (!classes.has(name)) classes.set(name, []);
    classes.get(name).push(rest || "");
  }
  for (const [name, tests] of classes) {
    const items = make("ul", {}), box = make("details", {}, make("summary", {}, name.slice(name.lastIndexOf("\\") + 1) + " (" + tests.length + ")"), items);
    const fill = () => { if (!items.firstChild) items.append(...tests.map(t => make("li", {}, t))); };
    box.addEventListener("toggle", fill);
    if (classes.size < 4 && list.length <= 12) { fill(); box.open = true; }
    out.push(box);
  }
  return out;
}

function advice(op, ms) {
  const o = D.ops[op], m = ms[0], status = statusOf(m);
  const e = make("div", {class: "op " + status}, make("p", {class: "place"}, o[0]));
  if (status === "survived") e.append(...[...new Set(ms.map(outcome))].filter(Boolean).map(p => make("p", {}, p)), ...D.advice[m[ADVICE]].split("\n\n").map(p => make("p", {}, p))); else e.append(make("p", {class: "aside"}, o[1]));
  for (const x of ms) {
    if (status !== "survived" && outcome(x)) e.append(make("p", {}, outcome(x)));
    if (x[NEW]) e.append(make("p", {}, "New since the result that this one is compared with."));
    e.append(...proof(x));
    e.append(make("div", {class: "tools"}, make("span", {class: "id"}, idOf(x)), make("small", {}, "Copy"), copyButton("id", x), copyButton("inspect", x), copyButton("skip", x)));
  }
  return e;
}

function fillBeside(b, m) {
  const e = at("beside"), place = D.places[m[PLACE]][0] || D.files[b.file].path;
  e.replaceChildren(make("h2", {}, "Line " + m[LINE] + " of " + place.slice(place.lastIndexOf("\\") + 1)));
  const kinds = new Set(b.all.filter(isOpen).map(x => D.ops[x[OP]][2]));
  if (b.bare) e.append(make("p", {}, blockSaid(b) + " Begin with a test that calls it and looks at the outcome."));
  else for (const k of kinds) if (k >= 0) e.append(make("p", {}, make("b", {}, "Gap: " + D.kinds[k][1] + ". "), D.kinds[k][2]));
  e.append(make("div", {class: "tools"}, ...placeLinks(b.file, m[LINE], m[COLUMN] + 1)));
  const groups = new Map();
  for (const x of b.bare ? [m] : [m, ...b.all.filter(x => x !== m)]) {
    const key = x[OP] + " " + x[STATUS] + " " + x[ADVICE];
    if (!groups.has(key)) groups.set(key, []);
    groups.get(key).push(x);
  }
  for (const group of groups.values()) e.append(advice(group[0][OP], group));
  e.append(...testList(b.all));
  e.hidden = false;
}
