"use strict";
// The desk works without this script; it adds dropping, progress and looking again by itself.
(() => {
  const key = document.body.dataset.key;
  const form = document.getElementById("drop");
  let sending = false;

  // ---- handing over files -------------------------------------------------
  const said = (text) => { document.getElementById("upload-said").textContent = text; };
  const bar = () => document.getElementById("upload-bar");
  const size = (bytes) => bytes >= 1e9 ? (bytes / 1e9).toFixed(1) + " GB" : bytes >= 1e6 ? (bytes / 1e6).toFixed(1) + " MB" : Math.ceil(bytes / 1e3) + " kB";

  const send = (file, name, before, total) => new Promise((resolve, reject) => {
    const request = new XMLHttpRequest();
    request.open("POST", form.action);
    request.setRequestHeader("Accept", "application/json");
    request.upload.addEventListener("progress", (event) => { bar().value = total ? (before + event.loaded) / total : 1; });
    request.addEventListener("load", () => {
      if (request.status === 200) return resolve();
      let error = "";
      try { error = JSON.parse(request.responseText).error; } catch { error = request.status === 507 ? "The disk of this computer has no room for it." : "It was not taken."; }
      reject(new Error(error));
    });
    request.addEventListener("error", () => reject(new Error("The desk does not answer. Is it still open?")));
    const body = new FormData();
    body.append("desk_key", key);
    body.append("files", file, name);
    request.send(body);
  });

  const wanted = (name) => form.dataset.endings.split(" ").some((ending) => name.toLowerCase().endsWith(ending)) && !name.split("/").some((part) => part.startsWith("."));

  const handOver = async (found, fromFolder) => {
    const files = found.filter(([, name]) => !fromFolder || wanted(name));
    const skipped = found.length - files.length;
    // In the order of their names, as the command line takes a folder: of two rows alike the later counts.
    files.sort(([, a], [, b]) => (a < b ? -1 : a > b ? 1 : 0));
    const limit = Number(form.dataset.limit);
    const total = files.reduce((sum, [file]) => sum + file.size, 0);
    const wrong = [];
    let before = 0;
    sessionStorage.removeItem("skipped");
    bar().hidden = false;
    sending = true;
    document.getElementById("upload").hidden = false;
    for (const [number, [file, name]] of files.entries()) {
      said("Handing over file " + (number + 1) + " of " + files.length + ", " + name + " (" + size(file.size) + ")");
      try {
        if (file.size > limit) throw new Error("It is larger than " + size(limit) + ".");
        await send(file, name, before, total);
      } catch (error) { wrong.push(name + ": " + error.message); }
      before += file.size;
    }
    if (wrong.length === files.length) {
      sending = false;
      said(files.length ? "Nothing was taken. " + wrong.slice(0, 3).join(" ") : "The folder holds no table of records (" + form.dataset.endings + ").");
      return;
    }
    await fetch(form.dataset.check, { method: "POST", headers: { "X-Desk-Key": key, Accept: "application/json" }, redirect: "manual" });
    if (wrong.length) {
      said(wrong.length + " of " + files.length + " files were not taken. " + wrong.slice(0, 3).join(" "));
      const on = document.createElement("a");
      on.href = location.pathname;
      on.textContent = " Go on with the others";
      document.getElementById("upload-said").append(on);
      return;
    }
    if (skipped) sessionStorage.setItem("skipped", String(skipped));
    location.assign(location.pathname);
  };

  const entriesOf = (reader) => new Promise((resolve, reject) => reader.readEntries(resolve, reject));
  const fileOf = (entry) => new Promise((resolve, reject) => entry.file(resolve, reject));
  const walk = async (entry, found) => {
    if (entry.isFile) { found.push([await fileOf(entry), entry.fullPath.replace(/^\//, "")]); return; }
    const reader = entry.createReader();
    for (let some = await entriesOf(reader); some.length; some = await entriesOf(reader)) {
      for (const one of some) await walk(one, found);
    }
  };

  if (form) {
    document.querySelector(".drop-word").hidden = false;
    const picked = () => ["pick-files", "pick-folder"].flatMap((id) => [...document.getElementById(id).files]);
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      const files = picked();
      if (!files.length) { document.getElementById("upload").hidden = false; said("Choose files first."); return; }
      handOver(files.map((file) => [file, file.webkitRelativePath || file.name]), files.some((file) => file.webkitRelativePath));
    });
    const over = (event) => { event.preventDefault(); form.classList.add("over"); };
    document.addEventListener("dragover", over);
    document.addEventListener("dragleave", (event) => { if (!event.relatedTarget) form.classList.remove("over"); });
    document.addEventListener("drop", async (event) => {
      event.preventDefault();
      form.classList.remove("over");
      const entries = [...event.dataTransfer.items].map((item) => item.webkitGetAsEntry && item.webkitGetAsEntry()).filter(Boolean);
      const found = [];
      for (const entry of entries) await walk(entry, found);
      if (!entries.length) for (const file of event.dataTransfer.files) found.push([file, file.name]);
      if (found.length) handOver(found, entries.some((entry) => entry.isDirectory));
    });
    const skipped = sessionStorage.getItem("skipped");
    if (skipped && form.dataset.waiting === "0") sessionStorage.removeItem("skipped");
    else if (skipped) {
      document.getElementById("upload").hidden = false;
      bar().hidden = true;
      said(skipped + " other files of the folder were left alone, because they are no tables.");
    }
  }

  // ---- saying what columns mean: each choice is taken at once, and the page stays where it was -------------
  const columns = document.getElementById("columns-form");
  if (columns) {
    const kept = JSON.parse(sessionStorage.getItem("columns") || "null");
    sessionStorage.removeItem("columns");
    if (kept && kept.at === location.pathname) {
      const table = columns.querySelector(".scroll");
      if (table) table.scrollLeft = kept.left;
      window.scrollTo(0, kept.top);
      const last = document.getElementById(kept.id);
      if (last) last.focus({ preventScroll: true });
    }
    columns.addEventListener("change", (event) => {
      if (event.target.type === "search") return;
      const table = columns.querySelector(".scroll");
      sessionStorage.setItem("columns", JSON.stringify({ at: location.pathname, id: event.target.id, top: window.scrollY, left: table ? table.scrollLeft : 0 }));
      columns.requestSubmit();
    });
  }

  // ---- watching work -------------------------------------------------------
  const now = document.querySelector("[data-watch]");
  const busyTyping = () => ["INPUT", "SELECT"].includes((document.activeElement || {}).tagName) && document.activeElement.type !== "hidden";
  const show = (job) => {
    const line = now.querySelector('[data-job="' + job.number + '"]');
    if (!line) return false;
    const progress = line.querySelector("progress");
    if (job.state === "running" && !progress) return false;
    if (progress && job.share !== null) progress.value = job.share;
    if (job.state === "running") line.querySelector(".now-said").textContent = job.said;
    return true;
  };
  const watch = async () => {
    let jobs;
    try { jobs = await (await fetch(now.dataset.watch, { headers: { Accept: "application/json" } })).json(); } catch { return; }
    const known = now.dataset.jobs.split(" ");
    const asBefore = jobs.length === known.length && jobs.every((job) => known.includes(String(job.number))) && jobs.every(show);
    const left = [...now.querySelectorAll("[data-job]")].filter((line) => !jobs.some((job) => String(job.number) === line.dataset.job));
    const minor = !jobs.length && left.every((line) => line.dataset.kind === "count") && now.dataset.here !== "store" && now.dataset.here !== "reports" && now.dataset.here !== "planning";
    if (minor) { now.remove(); return; }
    if (!asBefore && !busyTyping() && !sending) { location.reload(); return; }
    setTimeout(watch, 600);
  };
  if (now) setTimeout(watch, 400);
})();
