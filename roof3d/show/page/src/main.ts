/** Entry: reads the data in the page and shows it; in a session, opens the designer's tools. */

import "./style.css";
import { App } from "./app";
import { Designer } from "./designer";
import type { PageData } from "./types";

const data = JSON.parse(document.getElementById("data")!.textContent!) as PageData;
const app = new App(data);
if (data.session) app.designer = new Designer(app, data.session);
(window as unknown as { roof3d: App }).roof3d = app;
document.documentElement.dataset.ready = "yes";
