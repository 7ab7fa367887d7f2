// Who is signed in, and how to sign out. Nothing is shown where nobody has to sign in.

import { ask, h } from "./dom.js";

/** Name of whoever is signed in; empty where nobody has to. */
export const signedInAs = () => document.documentElement.dataset.user ?? "";

async function show() {
  const me = await ask("/api/v1/me").catch(() => ({ asks: false }));
  if (!me.asks) return;
  document.documentElement.dataset.user = me.name;
  document.documentElement.dataset.role = me.role;
  document.getElementById("top").append(
    h("form", { method: "post", action: "/sign-out", class: "account" },
      h("span", { title: `Role: ${me.role}` }, me.name), " ",
      h("button", { class: "quiet" }, "Sign out")));
}

show();
