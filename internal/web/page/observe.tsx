import { mount } from "./bedside"

mount("observe")
