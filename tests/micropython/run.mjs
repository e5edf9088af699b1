// Run one MicroPython script with real folders mounted: run.mjs INTERPRETER SCRIPT [FOLDER...]
// Every folder is on sys.path; standard output is passed through byte by byte.
import { readdirSync, readFileSync, statSync, writeSync } from "node:fs";
import { join } from "node:path";
import { pathToFileURL } from "node:url";

const [interpreter, script, ...folders] = process.argv.slice(2);
const { loadMicroPython } = await import(pathToFileURL(join(interpreter, "micropython.mjs")));

const mp = await loadMicroPython({
    heapsize: 8 * 1024 * 1024,
    linebuffer: false,
    stdout: (bytes) => writeSync(1, bytes),
});

function mount(from, to) {
    mp.FS.mkdir(to);
    for (const name of readdirSync(from)) {
        const path = join(from, name);
        if (statSync(path).isDirectory()) {
            if (!name.startsWith("__")) mount(path, `${to}/${name}`);
        } else {
            mp.FS.writeFile(`${to}/${name}`, readFileSync(path));
        }
    }
}

const paths = folders.map((folder, i) => {
    mount(folder, `/m${i}`);
    return `/m${i}`;
});
try {
    // This build puts a Python stand-in before the C binascii that the board has.
    mp.runPython("import sys, ubinascii\nsys.modules['binascii'] = ubinascii\n");
    mp.runPython(`import sys\nsys.path[:0] = ${JSON.stringify(paths)}\n`);
    mp.runPython(readFileSync(script, "utf8"));
} catch (error) {
    process.stderr.write(`${error.message ?? error}\n`);
    process.exit(1);
}
