"use strict";
(function () {
const began = performance.now();
const D = JSON.parse(document.getElementById("p:data").textContent);
// A row of D.mutants, by name; report/html.go writes them in this order.
const ID = 0, OP = 1, FILE = 2, CLASS = 3, FN = 4, LINE = 5, COLUMN = 6, STATUS = 7, TESTS = 8, SAID = 9,
  FROM = 10, COUNT = 11, OLD0 = 12, OLD1 = 13, TEXT = 14, NEW0 = 15, NEW1 = 16, GAP = 17;
const PAGE = 40, CONTEXT = 3, LONG = 24;
const at = id => document.getElementById("p:" + id);
const form = at("form"), list = at("list"), earlier = at("earlier"), later = at("later");
const place = new Map(D.mutants.map((m, i) => [m[ID], i]));
let chosen = [], from = 0, to = 0;

function make(tag, attributes, ...children) {
  const e = document.createElement(tag);
  for (const name in attributes) e.setAttribute(name, attributes[name]);
  e.append(...children);
  return e;
}

function plural(n, noun) { return n.toLocaleString("en") + " " + noun + (n === 1 ? "" : "s"); }

const WORDS = new Set(("abstract and array as break callable case catch class clone const continue declare default do echo else elseif empty " +
  "enddeclare endfor endforeach endif endswitch endwhile enum exit extends final finally fn for foreach function global goto if implements " +
  "include include_once instanceof insteadof interface isset list match namespace new or print private protected public readonly require " +
  "require_once return self static switch throw trait try unset use var while xor yield parent true false null int float string bool mixed void never iterable object").split(" "));
// Comment, text (quotes, heredoc), variable, number, word, HTML between tags.
// This is for the eye: what it takes for the wrong thing has the wrong colour.
const LEX = /(\/\*[^]*?(?:\*\/|$)|(?:\/\/|#(?!\[))[^\n]*?(?=\?>|\n|$))|('(?:[^'\\]|\\[^])*'?|"(?:[^"\\]|\\[^])*"?|<<<[ \t]*(["']?)(\w+)\3\n[^]*?\n[ \t]*\4\b)|(\$[\w\u0080-\uffff]+)|(\b\d[\w.]*)|([A-Za-z_\u0080-\uffff][\w\u0080-\uffff]*)|(\?>[^]*?(?:<\?(?:php\b|=)?|$))|[^]/g;

// lines gives a file's lines, each with its tokens as [end, class] pairs.
function lines(file) {
  if (file.lines) return file.lines;
  const text = file.text, out = file.lines = text.split("\n").map(text => ({text, tokens: []}));
  let line = 0, column = 0;
  const put = (left, kind) => {
    for (;;) {
      const take = Math.min(left, out[line].text.length - column);
      column += take;
      if (take) out[line].tokens.push([column, kind]);
      if ((left -= take) <= 0) return;
      left--; line++; column = 0;
    }
  };
  const open = text.search(/<\?/);
  put(open < 0 ? text.length : open, "");
  LEX.lastIndex = open < 0 ? text.length : open;
  for (let m; (m = LEX.exec(text));) {
    let kind = "";
    if (m[1]) kind = "c";
    else if (m[2]) kind = "t";
    else if (m[5]) kind = "v";
    else if (m[6]) kind = "n";
    else if (m[7]) kind = text[m.index - 1] !== ">" && WORDS.has(m[7].toLowerCase()) ? "k" : text[LEX.lastIndex] === "(" ? "f" : "";
    put(m[0].length, kind);
  }
  return out;
}

// paint appends text[start:end] of a line to an element, in its colours.
function paint(into, line, start, end) {
  let done = start;
  for (const [stop, kind] of line.tokens) {
    if (stop <= done) continue;
    const upto = Math.min(stop, end);
    if (upto <= done) break;
    const part = line.text.slice(done, upto);
    into.append(kind ? make("span", {class: kind}, part) : part);
    done = upto;
  }
  if (done < end) into.append(line.text.slice(done, end));
}

function row(pre, kind, number, said, fill) {
  const code = make("span", {}), div = make("div", kind ? {class: kind} : {}, make("i", said ? {"aria-label": said} : {}, number), code);
  fill(code);
  pre.append(div);
}

function diff(m) {
  const file = D.files[m[FILE]], all = lines(file), pre = make("pre", {tabindex: "0", "aria-label": "The mutant in its context"});
  const first = m[COUNT] ? m[FROM] - 1 : m[FROM], after = first + m[COUNT];
  const plain = n => row(pre, "", n + 1, "", e => paint(e, all[n], 0, all[n].text.length));
  for (let n = Math.max(0, first - CONTEXT); n < first; n++) plain(n);
  for (let n = first; n < after; n++) {
    if (n - first === LONG) { row(pre, "was", "", "", e => e.append("… " + plural(after - n, "more line"))); break; }
    const l = all[n], a = n === first ? m[OLD0] : 0, b = n === after - 1 ? m[OLD1] : l.text.length;
    row(pre, "was", n + 1, "before, line " + (n + 1), e => {
      paint(e, l, 0, a);
      if (b > a) { const s = make("s", {}); paint(s, l, a, b); e.append(s); }
      paint(e, l, b, l.text.length);
    });
  }
  const now = m[TEXT] === null ? [] : m[TEXT].split("\n");
  now.forEach((text, i) => {
    if (i > LONG) return;
    if (i === LONG) { row(pre, "now", "", "", e => e.append("… " + plural(now.length - i, "more line"))); return; }
    const a = i === 0 ? m[NEW0] : 0, b = i === now.length - 1 ? m[NEW1] : text.length;
    const head = all[first], tail = all[after - 1];
    row(pre, "now", "+", "now", e => {
      if (head && m[COUNT] && head.text.startsWith(text.slice(0, a))) paint(e, head, 0, a); else e.append(text.slice(0, a));
      if (b > a) e.append(make("u", {}, text.slice(a, b)));
      const rest = text.slice(b);
      if (tail && m[COUNT] && tail.text.endsWith(rest)) paint(e, tail, tail.text.length - rest.length, tail.text.length); else e.append(rest);
    });
  });
  for (let n = after; n < Math.min(all.length, after + CONTEXT); n++) plain(n);
  return pre;
}

function tests(m) {
  const ids = D.lists[m[TESTS]];
  if (!ids.length) return "";
  const items = make("ul", {}), green = D.status[m[STATUS]] === "survived";
  const box = make("details", {class: "tests"}, make("summary", {},
    plural(ids.length, "test") + (ids.length === 1 ? " runs" : " run") + " this code" + (green ? (ids.length === 1 ? " and passes" : " and pass") : "")), items);
  const fill = () => { if (!items.firstChild) items.append(...ids.map(t => make("li", {}, D.tests[t]))); };
  if (ids.length <= 4) { fill(); box.open = true; }
  box.addEventListener("toggle", fill);
  return box;
}

function show(m) {
  const op = D.ops[m[OP]], link = make("a", {href: "#" + m[ID]}, D.files[m[FILE]].path + ":" + m[LINE] + ":" + m[COLUMN]);
  const status = D.status[m[STATUS]];
  const head = make("h4", {}, link, " ", make("span", {class: status}, D.words[m[STATUS]]));
  const e = make("article", {id: m[ID]}, head, make("p", {class: "aside"}, op[1] + " ", make("code", {}, op[0])), diff(m));
  if (status === "survived") e.append(...op[2].split("\n\n").map(p => make("p", {}, p)));
  if (m[SAID]) e.append(make("p", {}, m[SAID]));
  e.append(tests(m), make("p", {class: "aside"}, "Mutant ", make("span", {class: "id"}, m[ID])));
  return e;
}

// render puts chosen[start:stop] at the end of the list, with a heading where
// another function or another reason begins.
function render(start, stop) {
  const part = document.createDocumentFragment();
  for (let i = start; i < stop; i++) {
    const m = D.mutants[chosen[i]], before = i > start || i > from ? D.mutants[chosen[i - 1]] : null;
    if (!before || before[FN] !== m[FN] || before[GAP] !== m[GAP])
      part.append(make("h3", {}, D.places[m[FN]] + (m[GAP] ? ": " + m[GAP] : "")));
    part.append(show(m));
  }
  list.append(part);
  to = stop;
  earlier.hidden = from === 0;
  later.hidden = to >= chosen.length;
}

function restart(start) {
  list.replaceChildren();
  from = start;
  render(from, Math.min(from + PAGE, chosen.length));
}

function raw(file) { return file.raw || (file.raw = file.text.split("\n")); }

function haystack(m) {
  if (m.hay === undefined)
    m.hay = [m[ID], D.ops[m[OP]][0], D.files[m[FILE]].path, D.places[m[FN]], m[TEXT] || "", ...(raw(D.files[m[FILE]]).slice(Math.max(0, m[FROM] - 1), m[FROM] - 1 + m[COUNT]))].join("\n").toLowerCase();
  return m.hay;
}

function testsNamed(word) {
  const hit = D.tests.map(t => t.toLowerCase().includes(word));
  return D.lists.map(ids => ids.some(t => hit[t]));
}

function choose() {
  const status = at("status").value, cls = at("class").value, op = at("op").value, word = at("text").value.trim().toLowerCase();
  const named = word ? testsNamed(word) : null;
  chosen = [];
  D.mutants.forEach((m, i) => {
    const s = D.status[m[STATUS]];
    if (status === "alive" ? s !== "survived" && s !== "unreached" : status && s !== status) return;
    if (cls && m[CLASS] !== +cls || op && m[OP] !== +op) return;
    if (word && !named[m[TESTS]] && !haystack(m).includes(word)) return;
    chosen.push(i);
  });
  at("count").textContent = plural(chosen.length, "mutant") + " of " + D.mutants.length.toLocaleString("en") +
    (chosen.length ? "." : ". Nothing fits what was chosen.");
  restart(0);
}

// call shows the mutant that the address names, whatever was chosen before.
function call() {
  const id = decodeURIComponent(location.hash.slice(1));
  if (!place.has(id)) return;
  let i = chosen.indexOf(place.get(id));
  if (i < 0) {
    for (const name of ["status", "class", "op", "text"]) at(name).value = "";
    choose();
    i = chosen.indexOf(place.get(id));
  }
  if (i < from || i >= to) restart(i);
  for (const e of list.querySelectorAll(".called")) e.classList.remove("called");
  const e = document.getElementById(id);
  e.classList.add("called");
  e.scrollIntoView();
  e.querySelector("h4 a").focus({preventScroll: true});
}

function fill(select, options) {
  select.append(...options.map(([value, text]) => make("option", {value}, text)));
}

const used = n => { const c = new Map(); for (const m of D.mutants) c.set(m[n], (c.get(m[n]) || 0) + 1); return c; };
const byStatus = used(STATUS), byOp = used(OP);
fill(at("status"), [["alive", "survived or unreached"], ["", "any"], ...D.status.map((s, i) => [s, D.words[i] + " (" + (byStatus.get(i) || 0) + ")"]).filter((_, i) => byStatus.get(i))]);
fill(at("class"), [["", "all"], ...D.classes.map((c, i) => [i, c]).sort((a, b) => a[1] < b[1] ? -1 : 1)]);
fill(at("op"), [["", "all"], ...D.ops.map((o, i) => [i, o[0] + " (" + byOp.get(i) + ")"])]);
let waiting = 0;
at("text").addEventListener("input", () => { clearTimeout(waiting); waiting = setTimeout(choose, 200); });
form.addEventListener("change", e => { if (e.target !== at("text")) choose(); });
form.addEventListener("submit", e => { e.preventDefault(); choose(); });
form.addEventListener("reset", () => setTimeout(choose));
later.addEventListener("click", () => {
  const first = to;
  render(to, Math.min(to + PAGE, chosen.length));
  document.getElementById(D.mutants[chosen[first]][ID]).querySelector("h4 a").focus();
});
earlier.addEventListener("click", () => { restart(Math.max(0, from - PAGE)); list.querySelector("h4 a").focus(); });
for (const a of document.querySelectorAll("a[data-class]"))
  a.addEventListener("click", () => { at("status").value = "alive"; at("op").value = at("text").value = ""; at("class").value = a.dataset.class; choose(); });
// Paper has no button for more.
addEventListener("beforeprint", () => { while (to < Math.min(chosen.length, 500)) render(to, Math.min(to + PAGE, chosen.length)); });
addEventListener("hashchange", call);
choose();
call();
document.documentElement.dataset.ready = Math.round(performance.now() - began) + " " + Math.round(performance.now());
})();
