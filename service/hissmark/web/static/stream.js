// The stream of events, one for all tabs of this browser: it opens only six connections to a server, and every
// stream holds one. Runs as a shared worker, or in the page itself where a browser has none.

const KINDS = ["pulse", "readings", "fresh", "alarms", "journal", "resync"];
const SILENT_MS = 10000; // five pulses missed: the connection is dead, whatever the browser believes

const ports = new Set();
let source = null;
let standing = false; // whether this connection has been heard: from then on nothing is missed
let heardMs = 0;
let last = "";

function open() {
  source?.close();
  standing = false;
  heardMs = Date.now();
  source = new EventSource(`/api/v1/events${last && `?after=${encodeURIComponent(last)}`}`);
  for (const kind of KINDS) source.addEventListener(kind, hear);
  // The browser retries by itself unless the answer was an error: then whoever listens begins anew.
  source.onerror = () => {
    standing = false;
    if (source?.readyState === EventSource.CLOSED) close();
  };
}

function close() {
  source?.close();
  source = null;
  for (const port of ports) port.postMessage({ kind: "closed" });
}

function hear({ type, data, lastEventId }) {
  standing = true;
  heardMs = Date.now();
  last = lastEventId;
  for (const port of ports) port.postMessage({ kind: type, data, id: lastEventId });
}

setInterval(() => source && Date.now() - heardMs > SILENT_MS && open(), SILENT_MS / 2);

/** Serve a page: it says "join" and hears events, until it says "leave". */
export function serve(port) {
  port.onmessage = ({ data }) => {
    if (data === "join") {
      ports.add(port);
      if (standing) port.postMessage({ kind: "open" });
      else if (!source) open();
    } else if (ports.delete(port) && !ports.size) {
      close();
    }
  };
}

self.onconnect = ({ ports: [port] }) => serve(port);
