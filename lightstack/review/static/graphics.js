// The few things that are asked of WebGL2: programs, textures, pictures to draw into.

import { VERTEX } from "./shaders.js";

export class NoGraphics extends Error {}

export class Graphics {
  constructor(canvas) {
    const gl = canvas.getContext("webgl2", { alpha: false, antialias: false, depth: false, powerPreference: "high-performance" });
    if (!gl) throw new NoGraphics("This browser gives no WebGL2: the review page cannot blend light here.");
    if (!gl.getExtension("EXT_color_buffer_float")) {
      throw new NoGraphics("This graphics card cannot draw into floating-point pictures (EXT_color_buffer_float).");
    }
    this.gl = gl;
    this.canvas = canvas;
    gl.bindVertexArray(gl.createVertexArray());
    gl.pixelStorei(gl.UNPACK_ALIGNMENT, 1);
    gl.pixelStorei(gl.PACK_ALIGNMENT, 1);
  }

  compile(source) {
    const gl = this.gl;
    const program = gl.createProgram();
    for (const [kind, text] of [[gl.VERTEX_SHADER, VERTEX], [gl.FRAGMENT_SHADER, source]]) {
      const shader = gl.createShader(kind);
      gl.shaderSource(shader, text);
      gl.compileShader(shader);
      gl.attachShader(program, shader);
    }
    gl.linkProgram(program);
    if (!gl.getProgramParameter(program, gl.LINK_STATUS)) {
      const logs = gl.getAttachedShaders(program).map((shader) => gl.getShaderInfoLog(shader));
      throw new NoGraphics(`A shader does not compile here: ${[...logs, gl.getProgramInfoLog(program)].join(" ")}`);
    }
    const places = new Map();
    const at = (name) => {
      if (!places.has(name)) places.set(name, gl.getUniformLocation(program, name));
      return places.get(name);
    };
    return { program, at };
  }

  begin({ program }, target, width, height) {
    const gl = this.gl;
    gl.bindFramebuffer(gl.FRAMEBUFFER, target ? target.frame : null);
    gl.viewport(0, 0, width, height);
    gl.useProgram(program);
  }

  draw() {
    this.gl.drawArrays(this.gl.TRIANGLES, 0, 3);
  }

  bind(program, name, unit, texture, kind = this.gl.TEXTURE_2D) {
    const gl = this.gl;
    gl.activeTexture(gl.TEXTURE0 + unit);
    gl.bindTexture(kind, texture);
    gl.uniform1i(program.at(name), unit);
  }

  texture(format, width, height, filter) {
    const gl = this.gl;
    const texture = gl.createTexture();
    gl.bindTexture(gl.TEXTURE_2D, texture);
    const levels = format === gl.RGBA8 ? Math.floor(Math.log2(Math.max(width, height))) + 1 : 1;
    gl.texStorage2D(gl.TEXTURE_2D, levels, format, width, height);
    this.settle(gl.TEXTURE_2D, filter);
    return texture;
  }

  layers(format, width, height, count) {
    const gl = this.gl;
    const texture = gl.createTexture();
    gl.bindTexture(gl.TEXTURE_2D_ARRAY, texture);
    gl.texStorage3D(gl.TEXTURE_2D_ARRAY, 1, format, width, height, Math.max(1, count));
    this.settle(gl.TEXTURE_2D_ARRAY, gl.NEAREST);
    return texture;
  }

  settle(kind, filter) {
    const gl = this.gl;
    gl.texParameteri(kind, gl.TEXTURE_MIN_FILTER, filter);
    gl.texParameteri(kind, gl.TEXTURE_MAG_FILTER, filter);
    gl.texParameteri(kind, gl.TEXTURE_WRAP_S, gl.CLAMP_TO_EDGE);
    gl.texParameteri(kind, gl.TEXTURE_WRAP_T, gl.CLAMP_TO_EDGE);
  }

  table(values) {
    const gl = this.gl;
    const texture = this.texture(gl.R32F, values.length, 1, gl.NEAREST);
    gl.texSubImage2D(gl.TEXTURE_2D, 0, 0, 0, values.length, 1, gl.RED, gl.FLOAT, values);
    return texture;
  }

  target(format, width, height, filter) {
    const gl = this.gl;
    const texture = this.texture(format, width, height, filter);
    const frame = gl.createFramebuffer();
    gl.bindFramebuffer(gl.FRAMEBUFFER, frame);
    gl.framebufferTexture2D(gl.FRAMEBUFFER, gl.COLOR_ATTACHMENT0, gl.TEXTURE_2D, texture, 0);
    if (gl.checkFramebufferStatus(gl.FRAMEBUFFER) !== gl.FRAMEBUFFER_COMPLETE) {
      throw new NoGraphics("This graphics card gives no floating-point pictures to draw into.");
    }
    return { texture, frame };
  }

  drop(target) {
    this.gl.deleteFramebuffer(target.frame);
    this.gl.deleteTexture(target.texture);
  }
}
