// Checks an AsyncAPI document with the specification's own parser.
//   npm install --prefix DIR @asyncapi/parser; NODE_PATH=DIR/node_modules node asyncapi.cjs FILE
// Exit code 0: valid. 1: faults, on stdout. 77: the parser is not installed.
const fs = require('fs');
let Parser, fromFile;
try {
  ({ Parser, fromFile } = require('@asyncapi/parser'));
} catch (e) {
  console.log(e.message);
  process.exit(77);
}
(async () => {
  const { document, diagnostics } = await fromFile(new Parser(), process.argv[2]).parse();
  const faults = diagnostics.filter((d) => d.severity <= 1); // errors and warnings
  for (const d of faults) console.log(d.severity === 0 ? 'error' : 'warning', d.path.join('.'), d.message);
  process.exit(document && faults.length === 0 ? 0 : 1);
})();
