function make(tag, attributes, ...children) {
  const e = document.createElement(tag);
  for (const name in attributes) if (attributes[name] !== null) e.setAttribute(name, attributes[name]);
  e.append(...children);
  return e;
}

const NUMBER = new Intl.NumberFormat("en");
function plural(n, noun) { return NUMBER.format(n) + " " + noun + (n === 1 ? "" : "s"); }

// raw gives a file's lines as text.
function raw(file) { return file.raw || (file.raw = file.text.split("\n")); }

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
  const text = file.text, out = file.lines = raw(file).map(text => ({text, tokens: []}));
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
    else if (m[6]) kind = "d";
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
