// MicroPython (WebAssembly) with the board's files in its memory.
//   node bridge.mjs MICROPYTHON.mjs ROOT          one JSON {"run": SOURCE} a line in, {"out", "error"} out
//   node bridge.mjs MICROPYTHON.mjs ROOT live     bytes in and out are the board's serial line, in real time
import { readFileSync, readdirSync } from "node:fs";
import { createInterface } from "node:readline";

const [, , library, root, mode] = process.argv;
let out = [];
const live = mode === "live";
const { loadMicroPython } = await import(library);
const mp = await loadMicroPython({ linebuffer: false, stdout: (data) => out.push(Buffer.from(data)) });

function copy(from, to) {
    mp.FS.writeFile(to, readFileSync(`${root}/${from}`));
}
mp.FS.mkdir("/sensors");
mp.FS.mkdir("/sensors/board");
copy("sensors/__init__.py", "/sensors/__init__.py");
copy("sensors/lines.py", "/sensors/lines.py");
for (const name of readdirSync(`${root}/sensors/board`)) {
    if (name.endsWith(".py")) copy(`sensors/board/${name}`, `/sensors/board/${name}`);
}
for (const name of readdirSync(`${root}/tests/sensors/board/stand_in`)) {
    if (name.endsWith(".py")) copy(`tests/sensors/board/stand_in/${name}`, `/${name}`);
}
mp.runPython("import sys\nsys.path.append('/')\nfrom rig import *\n");

function run(source) {
    out = [];
    let error = null;
    try {
        mp.runPython(source);
    } catch (fault) {
        error = `${fault.message}`;
    }
    return { out: Buffer.concat(out).toString(), error };
}

if (live) {
    let come = Buffer.alloc(0);
    process.stdin.on("data", (data) => { come = Buffer.concat([come, data]); });
    process.stdin.on("end", () => process.exit(0));
    const began = Date.now();
    const made = run("start_live()");
    if (made.error) throw new Error(made.error);
    setInterval(() => {
        const bytes = `bytes([${Array.from(come).join(",")}])`;
        come = Buffer.alloc(0);
        const { out: said, error } = run(`live_round(${Date.now() - began}, ${bytes})`);
        if (error) throw new Error(error);
        if (said) process.stdout.write(said);
    }, 10);
} else {
    for await (const line of createInterface({ input: process.stdin })) {
        process.stdout.write(JSON.stringify(run(JSON.parse(line).run)) + "\n");
    }
}
