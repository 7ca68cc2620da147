// Prints GitLab's JSON Schema of .gitlab-ci.yml, as the script that is named carries it: as
// an object literal, which begins with the schema's own ID.
import { readFileSync } from "node:fs";
import { runInNewContext } from "node:vm";

const text = readFileSync(process.argv[2], "utf8");
const id = text.indexOf('$id:"https://gitlab.com/.gitlab-ci.yml"');
const from = text.lastIndexOf("{", id);
if (id < 0 || from < 0) {
	throw new Error("the schema is not there");
}
let depth = 0, quote = "";
for (let at = from; at < text.length; at++) {
	const c = text[at];
	if (quote !== "") {
		if (c === "\\") at++;
		else if (c === quote) quote = "";
	} else if (c === '"' || c === "'" || c === "`") quote = c;
	else if (c === "{") depth++;
	else if (c === "}" && --depth === 0) {
		console.log(JSON.stringify(runInNewContext("(" + text.slice(from, at + 1) + ")")));
		break;
	}
}
