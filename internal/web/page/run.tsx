import { mount } from "./bedside"

mount("run")
